"""tracker: the console tool of the person who leads a crewed excursion from the inside."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tracker.forecast.estimate import estimate
    from tracker.forecast.figures import Estimate
    from tracker.foundation.errors import PlanError
    from tracker.journal.journal import Journal
    from tracker.plan.model import Plan
    from tracker.plan.read import read_plan

__all__ = ["Estimate", "Journal", "Plan", "PlanError", "estimate", "read_plan"]
__version__ = "0.1.0"

_HOME = {
    "Estimate": "tracker.forecast.figures",
    "Journal": "tracker.journal.journal",
    "Plan": "tracker.plan.model",
    "PlanError": "tracker.foundation.errors",
    "estimate": "tracker.forecast.estimate",
    "read_plan": "tracker.plan.read",
}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for, so that start-up stays short."""
    if name not in _HOME:
        raise AttributeError(f"module 'tracker' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME[name]), name)
