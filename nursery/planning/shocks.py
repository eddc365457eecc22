"""What does a plan come to when something goes wrong and nobody plans again?

Four mishaps of the trade: a batch a week late, fewer plugs, a person away, a bench lost. Each is
put into the problem, and the same starts are judged once more; nothing is solved again. Each plan
is hit where it hurts most: its most valuable batch, its busiest weeks, its fullest area.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from nursery.planning.plan_places import NO_LIMIT
from nursery.planning.plan_report import Judged, peaks
from nursery.planning.shock_judge import CompletionJudge
from nursery.weeks import Horizon, Week
from solver.propagation import Area, Plan, Problem, Start
from solver.propagation.judge import Completion, Loads, loads, minutes_cost, overflow
from solver.propagation.problem import Crop, Protocol
from solver.propagation.runs import run

SHARE_FEWER = 0.15
"""Which share of the plugs is missing in the second shock."""
WEEKS_AWAY = 2
WEEKS_LOST = 4
"""How long a person is away, and a bench out of use (estimates)."""

_LATE = " (a week late)"


class Shock(StrEnum):
    """What goes wrong?"""

    LATE_BATCH = "a batch a week late"
    FEWER_PLUGS = "15 % fewer plugs"
    PERSON_AWAY = "one person away"
    BENCH_LOST = "a bench lost"


@dataclass(frozen=True, slots=True)
class Worker:
    """A person's minutes and overtime minutes a week."""

    name: str
    minutes: int
    overtime: int


@dataclass(frozen=True, slots=True)
class BenchPlaces:
    """A bench of a kind of growing area, and its tray places."""

    name: str
    area: str
    places: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a plan comes to: cost in hundredths of a cent, plugs, plug-days, minutes, place-weeks.

    `overtime` has the minutes beyond regular hours, those included for which nobody is there.
    """

    cost: int
    unmet: int
    late_plug_days: int
    overtime: int
    overflow: int


@dataclass(frozen=True, slots=True)
class Effect:
    """What one shock adds to what a plan comes to; `told` says in words what was assumed."""

    shock: Shock
    told: str
    more: Outcome


def effects(
    at: Judged,
    workers: Sequence[Worker],
    benches: Sequence[BenchPlaces],
    judge: CompletionJudge | None = None,
) -> tuple[Effect, ...]:
    """What does each of the four shocks add? One that cannot happen here is left out.

    There is no late batch where nothing grows and no start could be late, nobody away where nobody
    is listed, no bench lost where the places of no used area are known. A `judge` that has seen
    plans of the same problem solves less.
    """
    judging = judge or CompletionJudge()
    judging.know(at.problem, at.loads, at.completion)

    def outcome(problem: Problem, plan: Plan) -> Outcome:
        same = plan is at.plan and problem.crops is at.problem.crops  # only places or hours differ
        what = at.loads if same else loads(problem, plan)
        return outcome_of(problem, what, judging.completion(problem, what))

    found = (_late_batch(at), _fewer_plugs(at), _away(at, workers), _lost(at, benches))
    before = outcome_of(at.problem, at.loads, at.completion)
    return tuple(
        Effect(one.shock, one.told, _less(outcome(one.problem, one.plan), before))
        for one in found
        if one is not None
    )


def outcome_of(problem: Problem, what: Loads, rest: Completion) -> Outcome:
    """What does a plan come to that takes this and whose plugs are used like that?"""
    cost = (
        what.trays_cost
        + what.batches_cost
        + minutes_cost(problem, what.minutes)
        + overflow(problem, what.places) * problem.overflow_cost
        + len(what.changes) * problem.change_cost
        + rest.cost
    )
    over = sum(
        max(0, used - there)
        for used, there in zip(what.minutes, problem.regular_minutes, strict=True)
    )
    ready = next(area for area in problem.areas if area.key == problem.ready_area)
    taken = [a + b for a, b in zip(what.places[ready.key], rest.held, strict=True)]
    crowded = sum(max(0.0, t - p) for t, p in zip(taken, ready.places, strict=True))
    return Outcome(
        cost=round(cost),
        unmet=round(sum(rest.unmet.values())),
        late_plug_days=round(sum(7 * f.plugs * max(0, f.ready - f.wanted) for f in rest.flows)),
        overtime=over,
        overflow=overflow(problem, what.places) + round(crowded),
    )


@dataclass(frozen=True)
class _Shocked:
    shock: Shock
    told: str
    problem: Problem
    plan: Plan


def _less(after: Outcome, before: Outcome) -> Outcome:
    return Outcome(
        cost=after.cost - before.cost,
        unmet=after.unmet - before.unmet,
        late_plug_days=after.late_plug_days - before.late_plug_days,
        overtime=after.overtime - before.overtime,
        overflow=after.overflow - before.overflow,
    )


def _late_batch(at: Judged) -> _Shocked | None:
    """The batch whose plugs are worth most, planned or growing, is ready a week later."""
    planned, growing = _worth_most_planned(at), _worth_most_growing(at)
    if growing is not None and (planned is None or growing[0] > planned[0]):
        return growing[1]
    return planned[1] if planned is not None else None


def _worth_most_planned(at: Judged) -> tuple[int, _Shocked] | None:
    """The planned batch that is worth most, with the price of its plugs if they are unmet."""
    owner = {p.key: (crop, p) for crop in at.problem.crops for p in crop.protocols}

    def worth(batch: tuple[tuple[str, int], int]) -> tuple[int, str, int]:
        (key, week), trays = batch
        crop, protocol = owner[key]
        return -trays * sum(protocol.plugs) * crop.shortage_cost, key, week

    for batch in sorted(at.plan.batches().items(), key=worth):
        (key, week), trays = batch
        crop, protocol = owner[key]
        late = _later(protocol)
        mine = [s for s in at.plan.starts if (s.protocol, s.week) == (key, week)]
        runs = [run(at.problem.weeks, crop.key, late, week, s.extra) for s in mine]
        if any(one is None for one in runs):
            continue
        told = (
            f"the {trays} trays of {key} started in {at.horizon.week(week)} are ready a week late"
        )
        crops = tuple(
            replace(c, protocols=(*c.protocols, late)) if c.key == crop.key else c
            for c in at.problem.crops
        )
        problem = replace(
            at.problem, crops=crops, accepted=_renamed(at.problem.accepted, key, week, late.key)
        )
        plan = replace(at.plan, starts=_renamed(at.plan.starts, key, week, late.key))
        return -worth(batch)[0], _Shocked(Shock.LATE_BATCH, told, problem, plan)
    return None


def _worth_most_growing(at: Judged) -> tuple[int, _Shocked] | None:
    """The growing plugs of one flush that are worth most, with their price if they are unmet.

    A problem has growing batches by crop and week of ready, not one by one: taken are as many weeks
    that follow one another as the crop's longest flush has. Which places they hold a week longer
    cannot be told from it, and is left out.
    """
    best: tuple[int, Crop, range] | None = None
    for crop in at.problem.crops:
        length = max((len(protocol.plugs) for protocol in crop.protocols), default=1)
        for first, plugs in enumerate(crop.ready):
            last = first
            while last < min(first + length, at.problem.weeks) and crop.ready[last]:
                last += 1
            worth = sum(crop.ready[first:last]) * crop.shortage_cost
            if plugs and (best is None or worth > best[0]):
                best = worth, crop, range(first, last)
    if best is None:
        return None
    worth, late, weeks = best
    ready = [0 if week in weeks else plugs for week, plugs in enumerate(late.ready)]
    for week in weeks:
        if week + 1 < at.problem.weeks:
            ready[week + 1] += late.ready[week]
    told = (
        f"the {sum(late.ready[week] for week in weeks)} plugs of {late.key} that grow already and "
        f"are ready in {_span(at.horizon, weeks)} are ready a week late"
    )
    crops = tuple(replace(c, ready=tuple(ready)) if c is late else c for c in at.problem.crops)
    return worth, _Shocked(Shock.LATE_BATCH, told, replace(at.problem, crops=crops), at.plan)


def _later(protocol: Protocol) -> Protocol:
    """The protocol whose last stage takes a week more."""
    key = protocol.key + _LATE
    if not protocol.stages:
        return replace(protocol, key=key, plugs=(0, *protocol.plugs))
    last = protocol.stages[-1]
    longer = replace(last, dwell=tuple(weeks + 1 for weeks in last.dwell))
    return replace(protocol, key=key, stages=(*protocol.stages[:-1], longer))


def _renamed(starts: tuple[Start, ...], key: str, week: int, new: str) -> tuple[Start, ...]:
    return tuple(
        replace(start, protocol=new) if (start.protocol, start.week) == (key, week) else start
        for start in starts
    )


def _fewer_plugs(at: Judged) -> _Shocked:
    def fewer(plugs: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(int(number * (1 - SHARE_FEWER) + 1e-9) for number in plugs)

    def of(crop: Crop) -> Crop:
        protocols = tuple(replace(p, plugs=fewer(p.plugs)) for p in crop.protocols)
        return replace(crop, ready=fewer(crop.ready), protocols=protocols)

    told = f"every start and every growing batch gives {SHARE_FEWER:.0%} fewer plugs"
    problem = replace(at.problem, crops=tuple(of(crop) for crop in at.problem.crops))
    return _Shocked(Shock.FEWER_PLUGS, told, problem, at.plan)


def _away(at: Judged, workers: Sequence[Worker]) -> _Shocked | None:
    """The person with most hours is away in the weeks with most work."""
    total = sum(one.minutes for one in workers)
    if not total:
        return None
    who = max(workers, key=lambda one: (one.minutes, one.name))
    overtime = sum(one.overtime for one in workers)
    first = _fullest(at.loads.minutes, WEEKS_AWAY)
    weeks = range(first, min(first + WEEKS_AWAY, at.problem.weeks))
    left = 1 - who.minutes / total
    left_over = 1 - who.overtime / overtime if overtime else 1.0
    problem = replace(
        at.problem,
        regular_minutes=_scaled(at.problem.regular_minutes, weeks, left),
        overtime_minutes=_scaled(at.problem.overtime_minutes, weeks, left_over),
    )
    told = f"{who.name} is away in {_span(at.horizon, weeks)}, the weeks with most work"
    return _Shocked(Shock.PERSON_AWAY, told, problem, at.plan)


def _scaled(minutes: tuple[int, ...], weeks: range, share: float) -> tuple[int, ...]:
    return tuple(int(m * share + 1e-9) if w in weeks else m for w, m in enumerate(minutes))


def _lost(at: Judged, benches: Sequence[BenchPlaces]) -> _Shocked | None:
    """The largest bench of the fullest area cannot be used around its fullest week."""
    known = {bench.area for bench in benches}
    full = [peak for peak in peaks(at) if peak.share is not None and peak.area in known]
    if not full:
        return None
    peak = max(full, key=lambda one: (one.share or 0.0, one.area))
    bench = max((b for b in benches if b.area == peak.area), key=lambda b: (b.places, b.name))
    week = at.horizon.index(Week.parse(peak.week))
    first = max(0, min(week - 1, at.problem.weeks - WEEKS_LOST))
    weeks = range(first, min(first + WEEKS_LOST, at.problem.weeks))

    def without(area: Area) -> Area:
        if area.key != bench.area:
            return area
        places = tuple(
            max(0, there - bench.places) if w in weeks and there < NO_LIMIT else there
            for w, there in enumerate(area.places)
        )
        return replace(area, places=places)

    problem = replace(at.problem, areas=tuple(without(area) for area in at.problem.areas))
    told = (
        f"bench {bench.name} ({bench.places} places in the {bench.area}, fullest in {peak.week}) "
        f"is out of use in {_span(at.horizon, weeks)}"
    )
    return _Shocked(Shock.BENCH_LOST, told, problem, at.plan)


def _fullest(minutes: Sequence[int], length: int) -> int:
    """In which week do the `length` weeks with most work begin? The first such."""
    starts = range(max(1, len(minutes) - length + 1))
    return max(starts, key=lambda w: (sum(minutes[w : w + length]), -w))


def _span(horizon: Horizon, weeks: range) -> str:
    first, last = horizon.week(weeks[0]), horizon.week(weeks[-1])
    return str(first) if first == last else f"{first} to {last}"
