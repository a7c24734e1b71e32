"""The first ten minutes of the documents, typed key by key at a rehearsal's desk: what it says to each."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.console.test_words_rule import unsaid
from tracker.console import writer
from tracker.console.view.scene import Snapshot
from tracker.forecast.estimate import estimate
from tracker.foundation.times import parse_pet
from tracker.journal.journal import Journal
from tracker.plan.read import read_plan
from tracker.rehearsal.setting import Rehearsal, seed_of_scenarios

TOP = Path(__file__).resolve().parents[2]
SEED = 7
STRIDE_S = 45.0
"""So often the crew is listened to."""
NAMED = {"-": "minus", "+": "plus", "!": "exclamation_mark", "?": "question_mark", "Space": "space"}
NAMED |= {"Enter": "enter", "Tab": "tab", "Esc": "escape"}

Stop = tuple[str, Sequence[str], Sequence[str]]
"""At which PET, which keys and texts, and what stands on the screen then."""

OUT: tuple[Stop, ...] = (
    ("0:00", [], ["calm z starts the clock: Both suits on battery power; ? shows every", "photos not yet"]),
    ("0:00", ["x"], ["never read: taken from the plan"]),
    ("0:00", ["x"], ["z start"]),
    ("0:00", ["z"], ["entry 1 saved: the clock runs", "1 ticks what EV1 is at, 2 EV2, 3 IV", "0 done, 50"]),
    ("0:04", ["1"], ["0:03 EV1: Done: Open the outer hatch", "saved: EV1 done Open the", "; next Go out"]),
    ("0:12", ["-"], ["late: whose? 1 EV1 2 EV2 3 IV; - again adds ten minutes", "Esc leaves it"]),
    ("0:12", ["1"], ["EV1, how many minutes ago?"]),
    ("0:12", ["3"], ["saved: EV1 done Go out and anchor the first safety tether at 0:09"]),
    ("0:15", ["2"], ["saved: EV1 EV2 done Hand out the tool bag and the tray bag"]),
    ("0:15", ["u"], ["done EV1 EV2 Hand out the tool bag and the tray bag at 0:15", "U brings it back"]),
    ("0:15", ["U"], ["brought back", "Hand out the tool bag"]),
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
    ("1:03", ["L"], ["when inside", "page 1 of"]),
    ("1:03", ["L"], ["1..3 tick"]),
    ("1:04", ["c"], ["c again calls EV1 EV2 home: inside ", "n at once; any other key neither"]),
    ("1:04", ["c"], ["saved: called EV1 EV2 home u takes it back", "way home"]),
    ("1:05", [], ["INSIDE called home 1:04", "to spare until", "OPEN hatch, EV1 closes it about"]),
    ("1:05", ["Tab"], ["EV1 (Marit): now "]),
    ("1:05", ["Space"], ["saved: EV1 done"]),
    ("1:06", ["!"], ["alerts"]),
    ("1:07", ["?"], ["Ticking", "tick the current step of that crew member"]),
    ("1:07", ["Esc"], ["1..3 tick"]),
)  # fmt: skip
"""The rest of the README's table."""


def table() -> list[tuple[str, ...]]:
    """Return what each row of the README's tour presses: names of keys, and texts that are typed."""
    text = (TOP / "README.md").read_text(encoding="utf-8")
    rows = text.partition("| press | and |")[2].partition("\n\n")[0].splitlines()[2:]
    return [tuple(re.findall(r"`([^`]+)`", row.split("|")[1])) for row in rows]


class Tour:
    """A desk at which nobody ticks but who types, and a crew that speaks."""

    def __init__(self, at: Any, crew: Rehearsal) -> None:
        self.at, self.crew = at, crew
        self.session = at.desk.runtime.session
        self.heard: list[str] = []
        """What was said and not answered yet."""
        self.seen: list[str] = []
        """The screen after each key."""
        self.messages: list[str] = []
        """What the message line said after each key."""

    @property
    def pet(self) -> float:
        return float(self.session.now(self.at.hand.utc()))

    async def listen(self, pet: float) -> None:
        """Let the clock go on to a PET, and hear what is said until then."""
        self.at.hand.move(max(0.0, pet - self.pet))
        before = self.crew.log.progress().number
        self.crew.play.to(pet)
        progress = self.crew.log.progress()
        for event in progress.fold.recorded[before:]:
            self.heard.append(f"{event.seat} {event.body['text']}")
        while self.session.number < progress.number:
            await self.at.settle()

    async def to(self, pet: str) -> str:
        """Let the clock go on to a PET; return what stands on the screen then, with the figures of then."""
        if self.session.zero is not None:
            await self.listen(parse_pet(pet))
        self.heard.clear()
        made = estimate(self.session.progress, self.pet, scenarios=200)
        self.session.snapshot = Snapshot(self.session.progress, made)
        await self.at.settle()
        return self.shown

    async def follow(self, pet: str, *, until: str = "-") -> None:
        """Press the key for each word of the crew soon after it, to a PET or until the desk says so."""
        while self.pet < parse_pet(pet):
            await self.listen(self.pet + STRIDE_S)
            for keys in self.answers():
                await self.press(*keys)
            if until in self.session.said:
                break

    def answers(self) -> list[list[str]]:
        """Return the keys for what was said and not answered yet."""
        heard, self.heard = self.heard, []
        return [keys for words in heard if (keys := self.answer(*words.split(" ", 1)))]

    def answer(self, who: str, words: str) -> list[str]:
        """Return the keys for one word of the crew."""
        digit = str(list(self.session.progress.plan.member).index(who) + 1)
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
            if len(key) > 1 and key not in NAMED:
                await self.at.type(key)
            else:
                await self.at.press(NAMED.get(key, key))
            self.seen.append(self.shown)
            self.messages.append(self.at.said)
        self.crew.log.refresh()
        return self.shown

    @property
    def shown(self) -> str:
        """The screen as one line, without the key at the right of the first alert."""
        return " ".join(self.at.whole.replace(" a seen\n", "\n").split())

    async def stops(self, stops: Sequence[Stop]) -> None:
        """Go from stop to stop; AssertionError where the screen does not say what it should."""
        wrong: list[str] = []
        before = ""
        for pet, keys, words in stops:
            if pet != before:
                await self.to(pet)
            before, shown = pet, await self.press(*keys)
            for _ in range(200):
                if not (missing := [some for some in words if some not in shown]):
                    break
                # The lead's view reads the journal in a thread of its own.
                await self.at.settle()
                shown = self.shown
            wrong += [f"at {pet}, {' '.join(keys)}: no {missing} in\n{self.at.whole}"] if missing else []
        assert not wrong, "\n".join(wrong)


@pytest.fixture
def tour(
    at_desk: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[[str], AbstractAsyncContextManager[Tour]]:
    """Open the desk of a rehearsal with a surprise."""
    monkeypatch.setattr(writer, "RETRY_S", 0.02)
    plan, path = read_plan(TOP / "plans" / "larkspur.yaml"), tmp_path / "one.sqlite"

    @asynccontextmanager
    async def opened(surprise: str) -> AsyncIterator[Tour]:
        Journal.create(path, plan, rehearsal=True, uuid=seed_of_scenarios(plan, SEED)).close()
        with Journal.open(path) as journal:
            crew = Rehearsal(journal, plan, SEED, wanted=(surprise,), practice=True)
            async with at_desk((100, 30), opener=lambda: Journal.open(path)) as at:
                yield Tour(at, crew)

    return opened


def test_the_script_is_the_table_of_the_readme() -> None:
    typed = " ".join(key for _, keys, _ in (*OUT, *REST) for key in keys)
    place = 0
    for row in table():
        place = typed.find(" ".join(row), place)
        assert place >= 0, f"{row} is in the README and not in the script, or elsewhere"


def quoted() -> list[str]:
    """Return what the tour with the pictures says that the screen says, without figures."""
    text = (
        (TOP / "plans" / "README.md").read_text(encoding="utf-8").partition("## Ten minutes at the desk")[2]
    )
    blocks = re.findall(r"(?:^    .+\n)+", text.replace("\n    entry", "\n\n    entry"), re.M)
    return [said(block) for block in blocks if not block.strip().startswith("tracker ")]


def said(text: str) -> str:
    """Return words without figures, without what follows on INSIDE, and without the place of their lines."""
    text = re.sub(r"; INSIDE [\d:]+ -> [\d:]+(?:, \d+ -> \d+ %)?", "", " ".join(text.split()))
    return re.sub(r"\d+", "#", text.removesuffix(" a seen")).replace(" ", "")


async def test_the_table_of_the_readme_and_what_the_longer_tour_quotes(tour: Any) -> None:
    async with tour("none") as at:
        await at.stops((*OUT, *REST))
        seen = "".join(map(said, at.seen))
        told = [message for message in at.messages if not message.endswith("Tab completes")]
        assert not [time for message in told for time in unsaid(message)]
        missing = [quote for quote in quoted() if quote not in seen]
        assert len(quoted()) >= 7 and not missing, "\n".join(missing)
        await at.follow("1:50", until="EV2 inside")
        assert "all inside since 1:" in await at.to("1:50") and "X X closes" in at.shown
        assert "tracker debrief" in await at.press("X", "X")
        assert at.session.progress.closed is not None


async def test_a_step_that_is_stuck_is_asked_about(tour: Any) -> None:
    async with tour("stuck") as at:
        await at.stops(OUT[:5])
        await at.follow("1:30")
        shown = await at.to("1:30")
        assert re.search(
            r"LOOK EV1 at Release the six captive fasteners, 0 of 6, \d\d:\d\d of 13:00 min: done\? 1 now, "
            r"- 1 5 five min ago, y 1 no voice\. The figures take it as going on",
            shown,
        ), at.at.whole


async def test_a_battery_that_leaks_is_said_with_what_to_do(tour: Any) -> None:
    async with tour("leak") as at:
        await at.stops(OUT[:5])
        await at.follow("3:01")
        shown = await at.to("3:01")
        assert re.search(r"LOOK EV2 battery falls \d\.\d times as fast as planned since ", shown)
        assert re.search(r"!! ACT chance [\d<]+ %, need 90 %: EV2 battery at 4:\d\d, \d+ min to spare", shown)
        assert re.search(r"c c calls home: inside 3:\d\d", shown)
        await at.press("c", "c")
        assert "way home" in await at.to("3:02")
