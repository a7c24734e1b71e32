"""Where each step stands in time: as it happened, and on paper from here on."""

from __future__ import annotations

from collections.abc import Mapping

from tracker.journal.progress import Progress, StepState

Course = Mapping[str, tuple[float, float]]
"""Per step its start and finish as PET seconds."""


def paper_course(progress: Progress) -> Course:
    """Return actual times of ended steps and planned times, one after the other, of open ones.

    It serves until the first estimate is there; windows and pace are left out of it.
    """
    course = {s: span for s, state in progress.steps.items() if (span := _happened(state)) is not None}
    free = {crew: max(progress.at, since) for crew, since in progress.free_since.items()}
    queues = {crew: list(order) for crew, order in progress.order.items()}
    while step := _ready(progress, queues, course):
        state = progress.steps[step]
        begin = state.began if state.began is not None else max(free.get(c, 0.0) for c in state.crew)
        begin = max([begin, *(course[n][1] for n in progress.needs.get(step, ()) if n in course)])
        end = max(progress.at, begin + max(0.0, state.step.time.likely))
        course[step] = (begin, end)
        for crew in state.crew:
            free[crew] = end
            queues[crew] = [s for s in queues.get(crew, []) if s != step]
    return course


def _happened(state: StepState) -> tuple[float, float] | None:
    if state.ended is None or state.done is None:
        return None
    return (state.began if state.began is not None else state.done, state.done)


def _ready(progress: Progress, queues: Mapping[str, list[str]], course: Course) -> str | None:
    """Return a step that is first for its whole crew and waits for nothing; else any first one."""
    heads = [queue[0] for queue in queues.values() if queue]
    for step in heads:
        state = progress.steps[step]
        together = all(not queues.get(c) or queues[c][0] == step for c in state.crew)
        if together and all(need in course for need in progress.needs.get(step, ())):
            return step
    return heads[0] if heads else None
