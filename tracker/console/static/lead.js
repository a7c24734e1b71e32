// Gives the keys to the terminal as soon as there is one, so that nobody has to click first.
window.addEventListener("load", () => {
  const give = () => document.querySelector(".xterm-helper-textarea")?.focus();
  give();
  window.addEventListener("focus", give);
});
