"""What does a worker process do, so that whoever asked need not wait? Solves and stores a plan.

A task takes the database, its arguments, `tell` for progress and `stop`, and answers with what it
stored. Stopped early, it stores the best plan that it has. One that asks what would help stores
nothing: its answer is kept with the job.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from nursery.database import Database
from nursery.dispatching.dispatch import DispatchReport, plan_dispatch
from nursery.plan_job import JobKind
from nursery.planning.plan_relief import PlanRelief, asked_about, read_plan, what_would_help
from nursery.planning.propagation import plan_propagation
from nursery.weeks import Week
from solver.run import Limits, Progress

MOST_SECONDS = 3600.0


@dataclass(frozen=True, slots=True)
class Made:
    """The version that was stored, or asked about; a dispatch says at once what it decides.

    `reliefs` are what would help, where that was asked.
    """

    version: int
    dispatch: DispatchReport | None = None
    reliefs: tuple[PlanRelief, ...] | None = None


class Tell(Protocol):
    """How far is the task? A cost and a proven bound so far, or so many of its steps."""

    def __call__(
        self,
        cost: int | None = None,
        bound: int | None = None,
        steps_done: int | None = None,
        steps: int | None = None,
    ) -> None: ...


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


def relief(db: Database, arguments: Mapping[str, Any], tell: Tell, stop: Stop) -> Made:
    """What would help where the plan `version` is short? `crop`, `week` and `most` are given.

    A step is one demand. Stopped, it answers with what it has found out.
    """
    version, week = int(arguments["version"]), str(arguments["week"])
    with db.reading() as session:
        at = read_plan(session, version)
    crop = str(arguments["crop"])
    keys = asked_about(at, crop, Week.parse(week) if week else None, int(arguments["most"]))
    found: list[PlanRelief] = []
    for key in keys:
        if stop.is_set():
            break
        tell(steps_done=len(found), steps=len(keys))
        found.append(what_would_help(at, *key))
    tell(steps_done=len(found), steps=len(keys))
    return Made(version, reliefs=tuple(found))


def _limits(seconds: float, tell: Tell, stop: Stop) -> Limits:
    def progress(at: Progress) -> None:
        tell(at.cost, at.bound)

    return Limits(min(seconds, MOST_SECONDS), progress=progress, stop=stop)


TASKS: Mapping[str, Callable[..., Made]] = {
    JobKind.PROPAGATION.value: propagation,
    JobKind.DISPATCH.value: dispatch,
    JobKind.RELIEF.value: relief,
}
"""Which task does which kind of job?"""
