"""Events at the border: one strict model a body.

What comes in is refused with one line that names the key and what would be right, or becomes the canonical
body that goes on record: JSON values only, and no key that was left out. Whether the event is possible is not
known here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.journal.event_keys import (
    Amount,
    Answers,
    Crew,
    EventNumber,
    Instant,
    JobName,
    JsonObject,
    LimitValue,
    Member,
    Name,
    Pet,
    Time,
    Whole,
    Words,
    Yes,
    unfit_text,
    whole_pet,
)
from tracker.journal.kinds import KINDS


class Body(BaseModel):
    """What every event may carry besides `at` and `seat`."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    text: Annotated[str | None, Field(strict=True)] = None
    by: Name | None = None
    """Who decided or said it."""


class Nothing(Body):
    """No keys of its own."""


class Zero(Body):
    """The instant of PET 0; what is left out is the present."""

    utc: Instant | None = None


class OneStep(Body):
    """A step."""

    step: Name


class Counted(OneStep):
    """A step and how many of its items are done in all."""

    count: Whole


class Done(OneStep):
    """A step, and how many of its items are done where that is not all."""

    count: Whole | None = None


class OneTask(Body):
    """A task."""

    task: Name


class SomeCrew(Body):
    """Crew members; all where they are left out."""

    crew: Crew | None = None


class Held(SomeCrew):
    """Crew members, and the PET at which their hold ends, where it is known."""

    until: Pet | None = None


class NamedCrew(Body):
    """Crew members by name."""

    crew: Crew


class OneMember(Body):
    """One crew member."""

    crew: Member


class Handed(OneStep):
    """A step and its new owners."""

    crew: Crew


class _Place(Body):
    """A place in the order: before a task, or last."""

    before: Name | None = None
    last: Yes


class Moved(_Place):
    """A task and its new place."""

    task: Name

    @model_validator(mode="after")
    def _one_place(self) -> Moved:
        if (self.before is None) == (self.last is None):
            raise ValueError("give `before` (a task) or `last: true`, one of them")
        return self


class Added(_Place):
    """A task as in a plan, and perhaps its place."""

    task: JsonObject

    @model_validator(mode="after")
    def _at_most_one_place(self) -> Added:
        if self.before is not None and self.last is not None:
            raise ValueError("give `before` (a task) or `last: true`, not both")
        return self


class Retimed(OneStep):
    """A step and its planned time, in all or from now on."""

    time: Time
    left: Yes


class Limited(Body):
    """A limit, or the reserve of a store, and its new value."""

    limit: Name
    value: LimitValue


class Level(Body):
    """What is in a store."""

    crew: Member
    consumable: Name
    value: Amount


class Seen(Body):
    """A window."""

    window: Name


class Called(Body):
    """How urgently, and whom; all where they are left out."""

    call: Literal["home", "at once"]
    crew: Crew | None = None


class Noted(Body):
    """The text that every other kind may do without."""

    text: Annotated[str, Field(strict=True), AfterValidator(lambda text: text)]


class Chose(Body):
    """A decision about a task beside what was advised."""

    task: Name
    choice: Literal["keep", "drop", "open", "later"]
    advice: Annotated[str | None, Field(strict=True)] = None
    figures: JsonObject | None = None


class Acknowledged(Body):
    """The id of an alert."""

    alert: Annotated[str, Field(strict=True, min_length=1, max_length=300)]


class Withdrawn(Body):
    """The number of the event that counts no more, or the name of a press that has no number yet."""

    event: EventNumber | None = None
    job: JobName | None = None

    @model_validator(mode="after")
    def _one_target(self) -> Withdrawn:
        if (self.event is None) == (self.job is None):
            raise ValueError("give `event`, its number, or `job`, the name of the press")
        return self


class _AboutEvent(Body):
    event: EventNumber


class Amended(_AboutEvent):
    """The number of an event, and for `zero` the instant at which it happened."""

    utc: Instant | None = None


class Raised(Body):
    """What stays open until somebody settles it, and what and whom it is about."""

    what: Literal["question", "reminder", "deviation", "message"]
    about: Name | None = None
    due: Pet | None = None
    after: Name | None = None
    owner: Name | None = None
    to: Name | None = None
    text: Words

    @model_validator(mode="after")
    def _one_time(self) -> Raised:
        if self.due is not None and self.after is not None:
            raise ValueError("give `due` (a PET) or `after` (a step), not both")
        return self


class Settled(_AboutEvent):
    """The number of the event that raised it."""


class Checked(OneMember):
    """A crew member's answers in a round, by what was asked."""

    round: Name
    answers: Answers


class Took(OneMember):
    """A piece of hardware, and who has it now."""

    hardware: Name


class Put(Body):
    """A piece of hardware, and where it was left: a site, or `lock` where it was brought back."""

    hardware: Name
    site: Name


class Placed(OneMember):
    """A crew member, and the site at which they are."""

    site: Name


class Clocked(Body):
    """Which clock of a seat is right, and by how many seconds its wall clock was set; negative: back."""

    trust: Literal["boot", "wall"]
    by_s: Annotated[float, Field(strict=True, ge=-1e10, le=1e10, allow_inf_nan=False)]


MODELS: Mapping[str, type[Body]] = {kind.name: globals()[kind.body] for kind in KINDS}
"""The model of each kind."""

_MOST_SEAT = 100
_COMMON = ("kind", "at", "seat")


@dataclass(frozen=True, slots=True)
class Parsed:
    """An event that is well formed; whether it is possible is the fold's to say."""

    kind: str
    at: int | None
    """PET in whole seconds; None where none was given."""
    seat: str | None
    body: Mapping[str, Any]
    """Canonical: JSON values only, keys that were left out stay out."""


def parse_event(event: Mapping[str, Any]) -> Parsed:
    """Read an event as it travels in JSON.

    Raises EventError with one line that says which key is wrong and what would be right.
    """
    if not isinstance(event, Mapping):
        raise EventError(f"an event is an object such as {_EXAMPLE}, not {_shown(event)}")
    kind = event.get("kind")
    if not isinstance(kind, str) or kind not in MODELS:
        what = "`kind` is missing" if kind is None else f"{_shown(kind)} is no kind of event"
        raise EventError(f"{what}; one of {', '.join(MODELS)}")
    own = {key: value for key, value in event.items() if key not in _COMMON}
    body = _body(kind, own)
    at = event.get("at")
    if kind == "amended" and (at is None) == ("utc" not in body):
        raise EventError("amended: give `at`, the PET at which it happened, or for `zero` its `utc`")
    return Parsed(kind, _at(kind, at), check_seat(kind, event.get("seat")), body)


_EXAMPLE = '{"kind": "done", "step": "egress.1", "at": 510}'


def _shown(value: object) -> str:
    """Return a value as it may stand in a message."""
    if isinstance(value, Mapping | list | tuple):
        return "an object" if isinstance(value, Mapping) else "a list"
    return plain(repr(value), most=60)


def _body(kind: str, own: Mapping[str, Any]) -> Mapping[str, Any]:
    for key, value in own.items():
        _check_text(kind, key, value)
    try:
        model = MODELS[kind].model_validate(own)
    except ValidationError as error:
        raise EventError(_complaint(kind, error.errors(include_url=False)[0])) from None
    except RecursionError:
        raise EventError(f"{kind}: nested too deeply") from None
    dumped: Mapping[str, Any] = model.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    return dumped


def _check_text(kind: str, key: object, value: object) -> None:
    """Refuse what could not be stored: half characters, and texts without end."""
    if not isinstance(key, str):
        raise EventError(f"{kind}: {_shown(key)} is no key")
    if isinstance(value, str) and (wrong := unfit_text(value)):
        raise EventError(f"{kind}: `{plain(key, most=40)}` {wrong}")


def _complaint(kind: str, fault: ErrorDetails) -> str:
    place = ".".join(str(part) for part in fault["loc"]) or "event"
    place = plain(place, most=60)
    if fault["type"] == "missing":
        return f"{kind}: `{place}` is missing{_takes(kind)}"
    if fault["type"] == "extra_forbidden":
        return f"{kind}: there is no key `{place}`{_takes(kind)}"
    said = fault["msg"].removeprefix("Value error, ")
    if not fault["loc"]:
        return f"{kind}: {said}"
    return f"{kind}: `{place}` is {_shown(fault['input'])}; {said[:1].lower()}{said[1:]}"


def _takes(kind: str) -> str:
    own = ", ".join(key for key in MODELS[kind].model_fields if key not in ("text", "by"))
    return f"; it takes {own + ', ' if own else ''}at, seat, by, text"


def _at(kind: str, at: object) -> int | None:
    if at is None:
        return None
    try:
        return whole_pet(at)
    except ValueError as error:
        raise EventError(f"{kind}: `at` is {_shown(at)}; {error}") from None


def check_seat(kind: str, seat: object) -> str | None:
    """The name of a seat, None where there is none; EventError for what may not be on record."""
    if seat is None:
        return None
    if not isinstance(seat, str) or not seat.strip():
        raise EventError(f"{kind}: `seat` is {_shown(seat)}; write a name, such as loop@console-2")
    _check_text(kind, "seat", seat)
    if len(seat) > _MOST_SEAT:
        raise EventError(f"{kind}: `seat` is longer than {_MOST_SEAT} characters")
    return seat
