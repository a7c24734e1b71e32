"""The first ten minutes of the documents, typed key by key at a rehearsal's desk: what it says to each."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.console.test_words_rule import unsaid
from tests.terminal import Terminal
from tests.tour import OUT, REST, SEED, TOP, AtTerminal, Tour, command, opened, table
from tracker.console.view.scene import Snapshot
from tracker.forecast.estimate import estimate
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.journal.typed import parse_entry
from tracker.plan.read import read_plan
from tracker.rehearsal.setting import Rehearsal, seed_of_scenarios

NAMED = {"-": "minus", "+": "plus", "!": "exclamation_mark", "?": "question_mark", "Space": "space"}
NAMED |= {"Enter": "enter", "Tab": "tab", "Esc": "escape"}


class AtDesk(Tour):
    """The tour at a desk whose clock stands until it is moved."""

    def __init__(self, at: Any, crew: Rehearsal) -> None:
        super().__init__()
        self.at, self.crew = at, crew
        self.session = at.desk.runtime.session
        self.messages: list[str] = []
        """What the message line said after each key."""

    @property
    def pet(self) -> float:
        return float(self.session.now(self.at.hand.utc()))

    @property
    def whole(self) -> str:
        return str(self.at.whole)

    @property
    def progress(self) -> Progress:
        return self.session.progress  # type: ignore[no-any-return]

    async def listen(self, pet: float) -> None:
        if self.session.zero is not None:
            self.hear(pet)
            await self.caught_up()

    def hear(self, pet: float) -> None:
        self.at.hand.move(max(0.0, pet - self.pet))
        before = self.crew.log.progress().number
        self.crew.play.to(pet)
        progress = self.crew.log.progress()
        for event in progress.fold.recorded[before:]:
            self.heard.append(f"{event.seat} {event.body['text']}")

    async def caught_up(self) -> None:
        """Wait until the desk has read what was recorded beside it."""
        await self.at.until(lambda: self.session.number >= self.crew.log.progress().number)

    async def to(self, pet: str) -> str:
        """Let the clock go on to a PET, and show the figures of then."""
        await super().to(pet)
        await self.caught_up()
        made = estimate(self.session.progress, self.pet, scenarios=200)
        self.session.snapshot = Snapshot(self.session.progress, made)
        await self.settle()
        return self.shown

    async def key(self, name: str) -> None:
        if len(name) > 1 and name not in NAMED:
            await self.at.type(name)
        else:
            await self.at.press(NAMED.get(name, name))
        self.messages.append(self.at.said)
        self.crew.log.refresh()

    async def settle(self) -> None:
        await self.at.settle()


class ByEar(AtDesk):
    """The same, but what is answered to the crew is recorded beside the desk, which is looked at later."""

    async def answered(self, keys: Sequence[str]) -> None:
        line = " ".join({"g": "go"}.get(key, key) for key in keys if key != "Enter")
        log, utc = self.crew.log, self.at.hand.utc()
        log.record_all(parse_entry(line, log.progress(), now=self.pet, utc_now=utc), seat="desk", utc_now=utc)

    async def listen(self, pet: float) -> None:
        self.hear(pet)


@pytest.fixture
def tour(
    at_desk: Callable[..., Any], soon: None, tmp_path: Path
) -> Callable[[str], AbstractAsyncContextManager[AtDesk]]:
    """Open the desk of a rehearsal with a surprise."""
    plan, path = read_plan(TOP / "plans" / "larkspur.yaml"), tmp_path / "one.sqlite"

    @asynccontextmanager
    async def opened(surprise: str) -> AsyncIterator[AtDesk]:
        Journal.create(path, plan, rehearsal=True, uuid=seed_of_scenarios(plan, SEED)).close()
        with Journal.open(path) as journal:
            crew = Rehearsal(journal, plan, SEED, wanted=(surprise,), practice=True)
            async with at_desk((100, 30), opener=lambda: Journal.open(path)) as at:
                yield (AtDesk if surprise == "none" else ByEar)(at, crew)

    return opened


def test_the_script_is_the_table_of_the_readme() -> None:
    assert command() == f"tracker rehearse --practice --speed 10 --seed {SEED} --surprise none"
    typed = " ".join(key for _, keys, _ in (*OUT, *REST) for key in keys)
    place = 0
    for row in table():
        place = typed.find(" ".join(row), place)
        assert place >= 0, f"{row} is in the README and not in the script, or elsewhere"


@pytest.mark.parametrize("surprise", ["none", "stuck", "leak"])
async def test_the_tour_and_what_the_documents_quote(tour: Any, surprise: str) -> None:
    async with tour(surprise) as at:
        await at.walk(surprise)
        told = [message for message in at.messages if not message.endswith("Tab completes")]
        assert not [time for message in told for time in unsaid(message)]


SPOKEN = re.compile(r"\d+:\d\d \w+: ")
"""What the crew says, as the desk tells it."""


def tell(tour: Tour, words: Sequence[str]) -> bool:
    return all(map(tour.tells, words))


def told_or_asked(told: Callable[[], bool], terminal: Terminal) -> bool:
    return told() or "again ticks" in terminal.text


async def test_its_first_keys_in_a_real_terminal(tmp_path: Path) -> None:
    """Each is pressed as soon as the desk has answered the one before, by a clock that runs away with it.

    What the crew says has run away too by then: only what the desk says is waited for.
    """
    with opened("none", tmp_path, speed="1000") as terminal:
        terminal.until("z starts the clock")
        tour = AtTerminal(terminal, tmp_path / "one.sqlite")
        for _, keys, words in OUT:
            await tour.press(*keys)
            told = partial(tell, tour, [said for said in words if not SPOKEN.match(said)])
            terminal.until(partial(told_or_asked, told, terminal))
            if not told():
                # The clock has not gone on by a minute since the tick before: it is asked about.
                await tour.press(*keys)
            terminal.until(told)
        kinds = [event.kind for event in tour.progress.fold.recorded if event.kind != "noted"]
        assert kinds == ["zero", *["done"] * 3, "withdrawn", "withdrawn", "done", "done"]
