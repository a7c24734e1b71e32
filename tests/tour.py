"""The first ten minutes of the documents, typed word for word: `python -m tests.tour [SURPRISE …]`.

The script is that of the README's table, with what the desk says to it. It is typed at the command of the
README in a real terminal, once for each surprise, side by side: a quarter of an hour at ten times the
speed of time. A test types it at a desk whose clock it moves, in seconds.
"""

from __future__ import annotations

import argparse
import asyncio
import re
import shlex
import sys
import tempfile
from abc import ABC, abstractmethod
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from tests.terminal import BOUNCE_S, Terminal
from tracker.foundation.clock import monotonic_s
from tracker.foundation.times import parse_pet
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress

TOP = Path(__file__).resolve().parents[1]
SEED = 7
STRIDE_S = 45.0
"""So often the crew is listened to where the clock stands until it is moved."""
PATIENCE_S, LOOKS = 20.0, 200
BETWEEN_KEYS_S = 0.15
AFTER_ESCAPE_S = 0.5
"""Sooner, what follows would be a sequence of one key."""
BYTES = {"Space": " ", "Enter": "\r", "Tab": "\t", "Esc": "\x1b"}

Stop = tuple[str, Sequence[str], Sequence[str]]
"""At which PET, which keys and texts, and what stands on the screen then; `|`: or, at another size."""

PHOTOS = "photos not yet|3 not counted: photos"

OUT: tuple[Stop, ...] = (
    ("0:00", [], ["calm z starts the clock: Both suits on battery power; ? shows every", PHOTOS]),
    ("0:00", ["x"], ["never read: taken from the plan"]),
    ("0:00", ["x"], ["z start"]),
    ("0:00", ["z"], ["entry 1 saved: the clock runs", "1 ticks what EV1 is at, 2 EV2, 3 IV", "0 done, 50"]),
    ("0:04", ["1"], ["0:03 EV1: Done: Open the outer hatch", "saved: EV1 done Open the", "; next Go out"]),
    ("0:12", ["-"], ["late: whose? 1 EV1 2 EV2 3 IV; - again adds ten minutes", "Esc leaves it"]),
    ("0:12", ["1"], ["EV1, how many minutes ago?"]),
    ("0:12", ["3"], ["saved: EV1 done Go out and anchor the first safety tether at 0:09"]),
    ("0:15", ["2"], ["saved: EV1 EV2 done Hand out the tool bag and the tray bag"]),
    ("0:15", ["u"], ["done EV1 EV2 Hand out the tool bag and the tray bag at 0:15", "U puts it on record"]),
    ("0:15", ["U"], ["on record again", "Hand out the tool bag"]),
    ("0:20", ["2"], ["saved: EV2 done Go out and anchor the second safety tether"]),
    ("0:24", ["1"], ["saved: EV1 EV2 done Look one another over"]),
)  # fmt: skip
"""Before the hatch and out, as every rehearsal of this seed begins."""

REST: tuple[Stop, ...] = (
    ("0:50", ["e", "1 >cover -1"], ["Enter writes at 0:49", "3 events: done EV1 Translate to the drive"]),
    ("0:50", ["Enter"], ["3 events", "u takes it back"]),
    ("0:50", ["e", "2 >ready -2", "Enter"], ["saved", "Unwrap the new controller"]),
    ("0:50", ["e", "3 -15", "Enter"], ["saved: done IV Take power off the drive and set both inhibits"]),
    ("0:51", [], ["LOOK", "go for Unplug the four connectors, EV1 stands since 0:49: ", "in place. g"]),
    ("0:51", ["g"], ["saved: go for Unplug the four connectors", "u takes it back"]),
    ("0:52", ["+", "1"], ["1 of 4"]),
    ("0:53", ["h", "visor", "Enter"], ["held", "visor"]),
    ("0:54", ["r", "Enter"], ["resumed"]),
    ("1:00:30", ["b", "oxygen .457 .457", "Enter"], ["1:00 EV2: I read oxygen 0.457", "EV2 oxygen = 0.457"]),
    ("1:01", ["k", "a", "Enter"], ["latch", "saved"]),
    ("1:01", ["d", "c", "Enter"], ["photos"]),
    ("1:02", ["f", "drop lamp", "Enter"], ["drop lamp"]),
    ("1:02", ["Esc"], ["1..3 tick"]),
    ("1:03", ["L"], ["comes first", "page 1 of"]),
    ("1:03", ["L"], ["1..3 tick"]),
    ("1:04", ["c"], ["c again calls EV1 EV2 home: inside ", "controller half done; n at once"]),
    ("1:04", ["c"], ["saved: called EV1 EV2 home u takes it back", "way home"]),
    ("1:05", [], ["INSIDE called home at 1:04", "to spare until", "OPEN hatch, EV1 closes it about"]),
    ("1:05", ["Tab"], ["EV1 (Marit): now "]),
    ("1:05", ["Space"], ["saved: EV1 done"]),
    ("1:06", ["!"], ["alerts"]),
    ("1:07", ["?"], ["Ticking|help:", "tick the current step of|tick what that person is at"]),
    ("1:07", ["Esc"], ["1..3 tick"]),
)  # fmt: skip
"""The rest of the README's table."""

STUCK = (
    r"LOOK 0 of 6 after \d\d:\d\d of 13:00 min: ask EV1 how many\. Release the six captive fasteners: "
    r"done\? 1 now, - 1 5 five min ago, y 1 no voice\. The figures take it as going on"
)
LEAK: tuple[str, ...] = (
    r"ACT EV2 battery falls \d\.\d times as fast as planned since ",
    r"!! ACT chance [\d<]+ %, need 90 %: EV2 battery at 4:\d\d, \d+ min to spare",
    r"c c calls home: inside [34]:\d\d",
)
LEAK_IN_TIME = (
    r"(?:LOOK|ACT) +EV2 battery falls \d\.\d times as fast as planned since ",
    r"!! ACT chance [\d<]+ %, need 90 %: EV2 battery at 4:\d\d, \d+ min (?:to spare|SHORT)",
    r"\. (?:c c calls home|d \w drops \w+): inside [34]:\d\d",
)
"""What is short and what helps, where the instants of ticks and advice are those of the machine."""


def command() -> str:
    """Return what the README starts the tour with."""
    text = (TOP / "README.md").read_text(encoding="utf-8")
    return text.partition("## Ten minutes at the desk")[2].partition("```text\n")[2].partition("\n")[0]


def table() -> list[tuple[str, ...]]:
    """Return what each row of the README's tour presses: names of keys, and texts that are typed."""
    text = (TOP / "README.md").read_text(encoding="utf-8")
    rows = text.partition("| press | and |")[2].partition("\n\n")[0].splitlines()[2:]
    return [tuple(re.findall(r"`([^`]+)`", row.split("|")[1])) for row in rows]


@cache
def quoted() -> list[str]:
    """Return what the tour with the pictures says that the screen says, without figures."""
    text = (TOP / "plans" / "README.md").read_text(encoding="utf-8")
    text = text.partition("## Ten minutes at the desk")[2]
    blocks = re.findall(r"(?:^    .+\n)+", text.replace("\n    entry", "\n\n    entry"), re.M)
    return [said(block) for block in blocks if not block.strip().startswith("tracker ")]


def said(text: str) -> str:
    """Return words without figures, without what follows on INSIDE, and without the place of their lines."""
    text = re.sub(r"; INSIDE [\d:]+ -> [\d:]+(?:, \d+ -> \d+ %)?", "", " ".join(text.split()))
    return re.sub(r"\d+", "#", text.removesuffix(" a seen")).replace(" ", "")


class Tour(ABC):
    """A desk at which nobody ticks but who types, and a crew that speaks."""

    leak = LEAK

    def __init__(self) -> None:
        self.heard: list[str] = []
        """What was said and not answered yet."""
        self.seen: list[str] = []
        """The screen after each key."""

    @property
    @abstractmethod
    def pet(self) -> float:
        """The PET by the desk's clock, seconds."""

    @property
    @abstractmethod
    def whole(self) -> str:
        """The rows of the screen."""

    @property
    @abstractmethod
    def progress(self) -> Progress:
        """How the excursion stands on record."""

    @abstractmethod
    async def listen(self, pet: float) -> None:
        """Let the clock go on to a PET, and hear what is said until then."""

    @abstractmethod
    async def key(self, name: str) -> None:
        """Press a key by its name in the documents, or type a text."""

    @abstractmethod
    async def settle(self) -> None:
        """Let the desk go on with what it has to do."""

    @property
    def shown(self) -> str:
        """The screen as one line, without the keys at the right of the first alert."""
        return " ".join(re.sub(r"( \d+ more: !)? +a seen *\n", "\n", self.whole).split())

    async def to(self, pet: str) -> str:
        """Let the clock go on to a PET; return what stands on the screen then."""
        await self.listen(parse_pet(pet))
        return self.shown

    async def follow(self, pet: str, *, until: str | None = None) -> None:
        """Press the key for each word of the crew soon after it, to a PET or until the desk says so."""
        while self.pet < parse_pet(pet):
            await self.listen(self.pet + STRIDE_S)
            for keys in self.answers():
                await self.answered(keys)
            if until and until in self.shown:
                break

    async def answered(self, keys: Sequence[str]) -> None:
        """Press the keys for a word of the crew; what the desk asks about is meant."""
        await self.press(*keys)
        for look in range(1, LOOKS):
            if "ENTRY" not in self.shown:
                return
            # Also where the machine took the second press for a bounce of the first.
            if "Enter again writes it" in self.shown or look % 20 == 0:
                await self.press("Enter")
            await self.settle()

    def answers(self) -> list[list[str]]:
        """Return the keys for what was said and not answered yet."""
        heard, self.heard = self.heard, []
        return [keys for words in heard if (keys := self.answer(*words.split(" ", 1)))]

    def answer(self, who: str, words: str) -> list[str]:
        """Return the keys for one word of the crew."""
        digit = str(list(self.progress.plan.member).index(who) + 1)
        if words.startswith("Done: "):
            return [digit]
        if re.search(r": \d+ of \d+\.$", words):
            return ["+", digit]
        if words.startswith("Ready for a go"):
            return ["g"]
        if read := re.search(r"^I read .*battery ([\d.]+)", words):
            return ["b", f"{who}.battery {read[1]}", "Enter"]
        return ["i", digit, "Enter"] if words == "I am inside." else []

    async def press(self, *keys: str) -> str:
        """Press keys and type texts, and return what stands on the screen then, as one line."""
        for key in keys:
            await self.key(key)
            self.seen.append(self.shown)
        return self.shown

    async def stops(self, stops: Sequence[Stop]) -> None:
        """Go from stop to stop; AssertionError where the screen does not say what it should."""
        wrong: list[str] = []
        before = ""
        for pet, keys, words in stops:
            if pet != before:
                await self.to(pet)
                self.heard.clear()
            before, shown = pet, await self.press(*keys)
            for _ in range(LOOKS):
                missing = [some for some in words if not self.tells(some)]
                if not missing and not self.half_told():
                    break
                # Figures come from a thread of their own, and the lead's view reads the journal in one.
                await self.settle()
                shown = self.shown
            wrong += [f"at {pet}, {' '.join(keys)}: no {missing} in\n{self.whole}"] if missing else []
            self.seen.append(shown)
        assert not wrong, "\n".join(wrong)

    async def walk(self, surprise: str) -> None:
        """Type the tour with a surprise; AssertionError where the desk does not say what it should."""
        if surprise == "stuck":
            await self.stops(OUT[:5])
            await self.follow("1:30")
            await self.to("1:30")
            await self.press("!")
            await self.says(STUCK)
        elif surprise == "leak":
            await self.stops(OUT[:5])
            await self.follow("3:01")
            await self.to("3:01")
            await self.press("!")
            await self.says(*self.leak)
            await self.press("Esc", "c", "c")
            await self.to("3:02")
            await self.says("way home")
        else:
            await self.stops((*OUT, *REST))
            missing = [quote for quote in quoted() if quote not in "".join(map(said, self.seen))]
            assert len(quoted()) >= 7 and not missing, "\n".join(missing)
            await self.follow("2:50", until="EV2 inside")
            await self.to("1:50")
            await self.says(r"all inside since [12]:\d\d", "X X closes")
            await self.press("X", "X")
            await self.says("tracker debrief")
            assert self.progress.closed is not None

    def half_told(self) -> bool:
        """Whether something that the documents quote stands there cut, until the message has its rows."""
        shown = said(self.shown)
        return any(quote not in shown and quote[: len(quote) * 2 // 3] in shown for quote in quoted())

    def tells(self, words: str) -> bool:
        """Whether these words stand on the screen, or others for them."""
        return any(one in self.shown for one in words.split("|"))

    async def says(self, *patterns: str) -> None:
        """Wait until all of these are on the screen; AssertionError with the screen where one is not."""
        for pattern in patterns:
            for _ in range(LOOKS):
                if re.search(pattern, self.shown):
                    break
                await self.settle()
            else:
                raise AssertionError(f"no {pattern} in\n{self.whole}")


class AtTerminal(Tour):
    """The tour at `tracker rehearse` in a terminal; the voices of the crew are heard from its journal."""

    leak = LEAK_IN_TIME

    def __init__(self, terminal: Terminal, journal: Path) -> None:
        super().__init__()
        self._terminal, self._path = terminal, journal
        self._pet, self._heard_to, self._last = 0.0, 0, ""

    @property
    def pet(self) -> float:
        if found := re.search(r"PET (\d+:\d\d:\d\d)", self.whole):
            self._pet = parse_pet(found[1])
        return self._pet

    @property
    def whole(self) -> str:
        return self._terminal.text

    @property
    def progress(self) -> Progress:
        with Journal.open(self._path, read_only=True) as journal:
            return journal.progress()

    async def listen(self, pet: float) -> None:
        """Read the screen until its clock is there, or somebody has spoken."""
        while self.pet < pet and not self._hear():
            await self._rest(0.2)

    def _hear(self) -> bool:
        """Take in what was said since; whether anything was."""
        events = self.progress.fold.recorded[self._heard_to :]
        self._heard_to += len(events)
        spoken = [f"{event.seat} {event.body['text']}" for event in events if event.kind == "noted"]
        self.heard += spoken
        return bool(spoken)

    async def to(self, pet: str) -> str:
        while self.pet < parse_pet(pet):
            await self.listen(parse_pet(pet))
        return await super().to(pet)

    async def key(self, name: str) -> None:
        if name == self._last:
            await self._rest(BOUNCE_S)
        self._last = name
        for char in BYTES.get(name, name):
            self._terminal.send(char)
            await self._rest(AFTER_ESCAPE_S if name == "Esc" else BETWEEN_KEYS_S)

    async def settle(self) -> None:
        await self._rest(PATIENCE_S / LOOKS)

    def tells(self, words: str) -> bool:
        """Whether these words stand on the screen; figures are those of when the machine gets to them."""
        shown = said(self.shown)
        return any(said(one) in shown for one in words.split("|"))

    async def _rest(self, seconds: float) -> None:
        """Read the screen for a while, and let the others do so too."""
        end = monotonic_s() + seconds
        while monotonic_s() < end:
            came = False
            while self._terminal.read(0.0):
                came = True
            if came:  # A message stands cut for a moment, until it has its rows: all that is shown is seen.
                self.seen.append(self.shown)
            await asyncio.sleep(0.02)


def opened(surprise: str, folder: Path, *, speed: str = "10", size: tuple[int, int] = (100, 30)) -> Terminal:
    """Start what the README says, with a surprise; the journal is one.sqlite in the folder."""
    words = shlex.split(command())[1:]
    words[words.index("--surprise") + 1] = surprise
    words[words.index("--speed") + 1] = speed
    return Terminal(*words, "--journal", "one.sqlite", cwd=folder, size=size)


async def typed(surprise: str, speed: str, size: tuple[int, int]) -> str:
    """Type the tour with a surprise to its end; return what became of it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with opened(surprise, folder, speed=speed, size=size) as terminal:
            tour = AtTerminal(terminal, folder / "one.sqlite")
            terminal.until("z starts the clock")
            try:
                await tour.walk(surprise)
                await tour.press("q", "q")
            except (AssertionError, TimeoutError, EOFError) as error:
                return f"{surprise}: {error}"
            said, status = terminal.end()
    after = said.rpartition("\x1b[?1049l")[2]
    return "" if status == 0 and "tracker debrief" in after else f"{surprise}: status {status}, {after}"


def main(argv: Sequence[str]) -> int:
    """Type it for each surprise, side by side; 1 where the desk did not say what the documents say."""
    parser = argparse.ArgumentParser(prog="python -m tests.tour", description=__doc__)
    parser.add_argument("surprise", nargs="*", default=("none", "stuck", "leak"))
    parser.add_argument("--speed", default="10", help="times as fast as time; the documents say 10")
    parser.add_argument("--size", default="100x30", help="COLUMNSxROWS")
    asked = parser.parse_args(argv)
    columns, rows = map(int, asked.size.split("x"))

    async def all_of_them() -> list[str]:
        return await asyncio.gather(*(typed(one, asked.speed, (columns, rows)) for one in asked.surprise))

    wrong = [line for line in asyncio.run(all_of_them()) if line]
    print("\n".join(wrong) or f"as the documents say: {', '.join(asked.surprise)} at {asked.size}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
