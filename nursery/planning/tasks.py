"""What does a worker process do, so that whoever asked need not wait? Solves and stores a plan.

A task takes the database, its arguments, `tell(cost, bound)` for progress and `stop`, and answers
with what it stored. Stopped early, it stores the best plan that it has.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from nursery.database import Database
from nursery.dispatching.dispatch import DispatchReport, plan_dispatch
from nursery.planned import PlanKind
from nursery.planning.propagation import plan_propagation
from solver.run import Limits, Progress

Tell = Callable[[int | None, int | None], None]
MOST_SECONDS = 3600.0


@dataclass(frozen=True, slots=True)
class Made:
    """The version that was stored; a dispatch says at once what it decides."""

    version: int
    dispatch: DispatchReport | None = None


class Stop(Protocol):
    """Anything that can say "stop now"."""

    def is_set(self) -> bool: ...


def propagation(db: Database, arguments: Mapping[str, Any], tell: Tell, stop: Stop) -> Made:
    """Which propagation plan was stored? `weeks`, `seconds` and `actor` are given."""
    limits = _limits(float(arguments["seconds"]), tell, stop)
    report = plan_propagation(db, int(arguments["weeks"]), limits, str(arguments["actor"]))
    return Made(report.version)


def dispatch(db: Database, arguments: Mapping[str, Any], tell: Tell, stop: Stop) -> Made:
    """Which dispatch was stored, and what does it say? `seconds`, `actor`, `accept` are given."""
    limits = _limits(float(arguments["seconds"]), tell, stop)
    accept_it = bool(arguments["accept"])
    report = plan_dispatch(db, limits, str(arguments["actor"]), accept_it=accept_it)
    return Made(report.version, report)


def _limits(seconds: float, tell: Tell, stop: Stop) -> Limits:
    def progress(at: Progress) -> None:
        tell(at.cost, at.bound)

    return Limits(min(seconds, MOST_SECONDS), progress=progress, stop=stop)


TASKS: Mapping[str, Callable[..., Made]] = {
    PlanKind.PROPAGATION.value: propagation,
    PlanKind.DISPATCH.value: dispatch,
}
"""Which task makes which kind of plan?"""
