"""The table of choices in plain columns: what each comes to, beside what is advised."""

from __future__ import annotations

from tracker.forecast.values import Choice, Estimate
from tracker.forecast.wording import choice_words, limit_words, need_of, within_words
from tracker.foundation.shown import change, pet_down, pet_up, spare_words
from tracker.foundation.text import amount, columns, percent


def choice_lines(estimate: Estimate) -> list[str]:
    """The table of choices: what each comes to, beside what is advised."""
    need = need_of(estimate)[2]
    rows = [_choice_cells(choice, need) for choice in estimate.choices or ()]
    if not rows:
        return ["choices: the excursion is over"]
    heads = ("", "inside", "8 in 10", "shift", "chance", "to spare", "binding limit", "value")
    return [f"choices, as of {pet_down(estimate.at)}:", *columns([heads, *rows], right=range(1, 6))]


def _choice_cells(choice: Choice, need: float) -> tuple[str, ...]:
    tasks = f": {' '.join(choice.tasks)}" if choice.tasks and ":" not in choice.id else ""
    return (
        f"{choice_words(choice)}{tasks}",
        pet_up(choice.inside.p50),
        within_words(choice.inside),
        change(choice.shift),
        f"{percent(choice.safe, need)}{'' if choice.meets else ' <'}",
        "-" if choice.to_spare is None else spare_words(choice.to_spare).removesuffix(" to spare"),
        "-" if choice.binding is None else limit_words(choice.binding),
        "-" if choice.value is None else amount(choice.value),
    )
