"""Which of two propagation plans is better, in what, and at what price?

Both are judged on the same data where they can be: those of the newer plan. Where the older one
no longer fits them, each is judged on the data it was made from, and the comparison says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from sqlmodel import Session, col, select

from nursery.growing_area import Bench, GrowingArea, Person
from nursery.mother_plant import MotherBlock
from nursery.planned import PlanVersion
from nursery.planning.plan_report import (
    Hours,
    Judged,
    MotherUse,
    Peak,
    hours,
    mother_use,
    peaks,
)
from nursery.planning.propagation import stored_plan
from nursery.planning.shock_judge import CompletionJudge
from nursery.planning.shocks import BenchPlaces, Effect, Worker, effects, outcome_of
from nursery.weeks import Horizon, Week
from solver.propagation import Plan, Problem, violations
from solver.propagation.judge import loads

MOST_MOVED_WEEKS = 6
"""Starts of one protocol further apart than this are two decisions, not one that moved."""


class ChangeKind(StrEnum):
    """How does a start of the second plan differ from one of the first?"""

    ADDED = "added"
    DROPPED = "dropped"
    MOVED = "moved"
    RESIZED = "resized"


@dataclass(frozen=True, slots=True)
class StartChange:
    """A start that the two plans do not share, in ISO weeks and trays.

    `week` and `trays` are the second plan's, `was_week` and `was_trays` the first's; "" and 0
    where the plan has no such start. A moved start keeps its protocol; its trays may differ.
    """

    kind: ChangeKind
    protocol: str
    was_week: str
    week: str
    was_trays: int
    trays: int


@dataclass(frozen=True)
class PlanFigures:
    """What one of the plans comes to, and what each shock would add.

    Cost in hundredths of a cent, times in minutes, `overflow` in place-weeks. `overtime` includes
    `beyond`, the minutes for which nobody is there. `busiest` is the week with most work.
    """

    version: int
    accepted_by: str | None
    first_week: str
    weeks: int
    cost: int
    batches: int
    trays: int
    unmet_plugs: int
    late_plugs: int
    late_plug_days: int
    discarded_plugs: int
    overflow: int
    minutes: int
    overtime: int
    beyond: int
    busiest: Hours
    peaks: tuple[Peak, ...]
    mothers: tuple[MotherUse, ...]
    shocks: tuple[Effect, ...]


@dataclass(frozen=True)
class PlanComparison:
    """Two plans side by side, and the starts in which the second differs from the first.

    `same_data` says whether both were judged on the same data; `notes` are for the lead.
    """

    a: PlanFigures
    b: PlanFigures
    changes: tuple[StartChange, ...]
    same_data: bool
    notes: tuple[str, ...]

    def of(self, kind: ChangeKind) -> tuple[StartChange, ...]:
        """Which starts changed in this way?"""
        return tuple(change for change in self.changes if change.kind is kind)


@dataclass(frozen=True)
class _Stored:
    row: PlanVersion
    problem: Problem
    plan: Plan
    horizon: Horizon


def compare(session: Session, a: int, b: int) -> PlanComparison:
    """How do the stored propagation plans `a` and `b` differ, and what would a mishap do to each?

    Nothing is solved: the starts are judged, with and without each shock (`planning.shocks`).
    Raises `Refused` ("unknown_plan").
    """
    first, second = _read(session, a), _read(session, b)
    data, notes = _common(first, second)
    reserves = {block.code: block.reserve for block in session.exec(select(MotherBlock)).all()}
    workers, benches = _workers(session), _benches(session)
    judge = CompletionJudge()
    judges = (judge, judge if data[0] is data[1] else CompletionJudge())
    figures = [
        _figures(one, problem, reserves, workers, benches, each)
        for one, problem, each in zip((first, second), data, judges, strict=True)
    ]
    return PlanComparison(
        a=figures[0],
        b=figures[1],
        changes=changed_starts(_starts(first), _starts(second), *_shared(first, second)),
        same_data=data[0] is data[1],
        notes=tuple(notes),
    )


def changed_starts(
    was: Mapping[tuple[str, Week], int],
    now: Mapping[tuple[str, Week], int],
    first: Week,
    last: Week,
) -> tuple[StartChange, ...]:
    """Which starts (trays by protocol and week) were added, dropped, moved or resized?

    Only weeks from `first` to `last`. A dropped and an added start of one protocol are one that
    moved, if it is at most `MOST_MOVED_WEEKS` from the other; the nearest weeks go together.
    By week, then protocol.
    """
    before = {key: trays for key, trays in was.items() if first <= key[1] <= last}
    after = {key: trays for key, trays in now.items() if first <= key[1] <= last}
    found = [
        StartChange(ChangeKind.RESIZED, key, str(week), str(week), trays, after[key, week])
        for (key, week), trays in before.items()
        if after.get((key, week), trays) != trays
    ]
    gone = {key for key in before if key not in after}
    new = {key for key in after if key not in before}
    pairs = sorted((abs(x[1] - y[1]), x[1], y[1], x, y) for x in gone for y in new if x[0] == y[0])
    for _, _, _, x, y in pairs:
        if x in gone and y in new:
            gone.remove(x)
            new.remove(y)
            found.append(
                StartChange(ChangeKind.MOVED, x[0], str(x[1]), str(y[1]), before[x], after[y])
            )
    found += [StartChange(ChangeKind.DROPPED, x[0], str(x[1]), "", before[x], 0) for x in gone]
    found += [StartChange(ChangeKind.ADDED, y[0], "", str(y[1]), 0, after[y]) for y in new]
    return tuple(sorted(found, key=lambda c: (c.was_week or c.week, c.protocol, c.kind)))


def _read(session: Session, version: int) -> _Stored:
    row = stored_plan(session, version)
    return _Stored(
        row,
        Problem.from_json(row.problem),
        Plan.from_json(row.plan),
        Horizon(Week.of(row.first_day), row.periods),
    )


def _common(first: _Stored, second: _Stored) -> tuple[tuple[Problem, Problem], list[str]]:
    """On which data is each judged? One problem twice where both plans fit it."""
    own = (first.problem, second.problem)
    if first.horizon != second.horizon:
        return own, [
            f"Plan {first.row.version} covers {first.horizon.weeks} weeks from "
            f"{first.horizon.start}, plan {second.row.version} {second.horizon.weeks} weeks from "
            f"{second.horizon.start}: each is judged on its own weeks and data, and only starts of "
            "weeks that both cover are compared"
        ]
    if first.row.fingerprint == second.row.fingerprint:
        return (second.problem, second.problem), []
    newer, older = sorted((first, second), key=lambda one: -one.row.version)
    broken = violations(newer.problem, older.plan)
    if broken:
        return own, [
            f"Plan {older.row.version} does not fit the data of plan {newer.row.version} "
            f"({broken[0]}): each is judged on the data it was made from"
        ]
    return (newer.problem, newer.problem), [
        f"The books changed between the two plans: both are judged on the data of plan "
        f"{newer.row.version}"
    ]


def _figures(
    one: _Stored,
    problem: Problem,
    reserves: Mapping[str, int],
    workers: Sequence[Worker],
    benches: Sequence[BenchPlaces],
    judge: CompletionJudge,
) -> PlanFigures:
    taken = loads(problem, one.plan)
    at = Judged(problem, one.plan, one.horizon, taken, judge.completion(problem, taken))
    comes_to = outcome_of(problem, at.loads, at.completion)
    work = hours(at)
    return PlanFigures(
        version=one.row.version,
        accepted_by=one.row.accepted_by,
        first_week=str(one.horizon.start),
        weeks=one.horizon.weeks,
        cost=comes_to.cost,
        batches=len(one.plan.batches()),
        trays=sum(start.trays for start in one.plan.starts),
        unmet_plugs=comes_to.unmet,
        late_plugs=round(sum(f.plugs for f in at.completion.flows if f.ready > f.wanted)),
        late_plug_days=comes_to.late_plug_days,
        discarded_plugs=_discarded(at),
        overflow=comes_to.overflow,
        minutes=sum(one.minutes for one in work),
        overtime=comes_to.overtime,
        beyond=sum(one.beyond for one in work),
        busiest=max(work, key=lambda week: week.minutes),
        peaks=peaks(at),
        mothers=mother_use(at, reserves),
        shocks=effects(at, workers, benches, judge),
    )


def _discarded(at: Judged) -> int:
    """Plugs whose life ends unsold inside the weeks planned."""
    life = {crop.key: crop.life for crop in at.problem.crops}
    return round(
        sum(
            plugs
            for (key, week), plugs in at.completion.discarded.items()
            if week + life[key] <= at.problem.weeks
        )
    )


def _starts(one: _Stored) -> dict[tuple[str, Week], int]:
    return {(key, one.horizon.week(w)): trays for (key, w), trays in one.plan.batches().items()}


def _shared(first: _Stored, second: _Stored) -> tuple[Week, Week]:
    """The first and the last week that both plans cover (the last before the first if none)."""
    starts = [one.horizon.start for one in (first, second)]
    ends = [one.horizon.start + (one.horizon.weeks - 1) for one in (first, second)]
    return max(starts), min(ends)


def _workers(session: Session) -> list[Worker]:
    rows = session.exec(select(Person).order_by(col(Person.name))).all()
    return [Worker(row.name, row.minutes_a_week, row.overtime_minutes) for row in rows]


def _benches(session: Session) -> list[BenchPlaces]:
    rows = session.exec(
        select(Bench, GrowingArea).join(GrowingArea, col(Bench.area_id) == col(GrowingArea.id))
    ).all()
    return [BenchPlaces(bench.name, area.kind.value, bench.places) for bench, area in rows]
