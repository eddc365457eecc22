"""An independent judge of small propagation problems: its own model, and exhaustive enumeration.

Written from the statement of the problem in inventory form (plugs by age, week by week), apart
from everything in `solver` but the problem's data; solved by HiGHS through its own package.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator

import highspy

from solver.propagation import Problem, Protocol

Batch = dict[tuple[str, int, int], int]


def stay(problem: Problem, protocol: Protocol, week: int, extra: int) -> list[tuple[str, int, int]]:
    """(area, week of entry, week of exit) of each stage."""
    found = []
    at = week
    for number, stage in enumerate(protocol.stages):
        out = at + stage.dwell[min(at, problem.weeks - 1)]
        if number == len(protocol.stages) - 1:
            out += extra
        found.append((stage.area, at, out))
        at = out
    return found


def ready_week(problem: Problem, protocol: Protocol, week: int, extra: int) -> int:
    visits = stay(problem, protocol, week, extra)
    return visits[-1][2] if visits else week


class Shared:
    """What the crops take of what they share, as sums still to be bounded."""

    def __init__(self, problem: Problem) -> None:
        weeks = range(problem.weeks)
        self.use = {(area.key, w): [] for area in problem.areas for w in weeks}
        self.work = {w: [] for w in weeks}
        self.begun = {w: [] for w in weeks}
        self.taken = {(mother.key, w): [] for mother in problem.mothers for w in weeks}


def least_cost(problem: Problem, trays: Batch | None = None) -> float:
    """The optimum, or the cheapest completion of given trays; infinite if they break a rule."""
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.setOptionValue("mip_rel_gap", 0.0)
    shared = Shared(problem)
    for crop in problem.crops:
        made = defaultdict(list)
        for protocol in crop.protocols:
            for week in range(problem.weeks):
                _add_batch(highs, problem, (protocol, week, trays), made, shared)
        _use_of_plugs(highs, problem, crop, made, shared.use)
    _bound_places_and_minutes(highs, problem, shared)
    _bound_rules(highs, problem, shared)
    highs.run()
    if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        return float("inf")
    return highs.getObjectiveValue()


def _add_batch(highs, problem, asked, made, shared) -> None:  # type: ignore[no-untyped-def]
    protocol, week, trays = asked
    columns = []
    for extra in range(protocol.extra_weeks + 1 if protocol.stages else 1):
        if ready_week(problem, protocol, week, extra) >= problem.weeks:
            continue
        given = None if trays is None else trays.get((protocol.key, week, extra), 0)
        x = highs.addVariable(
            lb=given or 0,
            ub=40 if given is None else given,
            obj=protocol.tray_cost + extra * protocol.extra_cost,
            type=highspy.HighsVarType.kInteger,
        )
        columns.append(x)
        visits = stay(problem, protocol, week, extra)
        for stage, (area, enter, leave) in zip(protocol.stages, visits, strict=True):
            shared.work[enter].append(stage.minutes * x)
            for w in range(enter, leave):
                shared.use[area, w].append(stage.places * x)
        for flush, plugs in enumerate(protocol.plugs):
            at = ready_week(problem, protocol, week, extra) + flush
            if at < problem.weeks:
                made[at].append(plugs * x)
    if not columns:
        return
    cost = protocol.batch_cost[week]
    y = highs.addVariable(lb=0, ub=1, obj=cost, type=highspy.HighsVarType.kInteger)
    total = sum(columns[1:], start=1 * columns[0])
    highs.addConstr(total <= 40 * len(columns) * y)
    highs.addConstr(total >= max(1, protocol.smallest_batch) * y)
    shared.begun[week].append(1 * y)
    shared.work[week].append(protocol.batch_minutes * y)
    if protocol.mother is not None:
        shared.taken[protocol.mother, week].append(protocol.propagules * total)


def _bound_places_and_minutes(highs, problem, shared) -> None:  # type: ignore[no-untyped-def]
    inf = highspy.kHighsInf
    for area in problem.areas:
        for w in range(problem.weeks):
            over = highs.addVariable(lb=0, ub=inf, obj=problem.overflow_cost)
            row = sum(shared.use[area.key, w], start=-1 * over)
            highs.addConstr(row <= area.places[w] - area.wip_places[w])
    for w in range(problem.weeks):
        regular = highs.addVariable(lb=0, ub=problem.regular_minutes[w], obj=problem.regular_cost)
        late = highs.addVariable(lb=0, ub=problem.overtime_minutes[w], obj=problem.overtime_cost)
        beyond = highs.addVariable(lb=0, ub=inf, obj=problem.beyond_cost)
        row = sum(shared.work[w], start=-1 * regular - late - beyond)
        highs.addConstr(row == -problem.wip_minutes[w])


def _bound_rules(highs, problem, shared) -> None:  # type: ignore[no-untyped-def]
    for members in shared.begun.values():
        if members:
            highs.addConstr(sum(members[1:], start=members[0]) <= problem.starts_per_week)
    quota = {mother.key: mother.quota for mother in problem.mothers}
    for (key, w), members in shared.taken.items():
        if members:
            highs.addConstr(sum(members[1:], start=members[0]) <= quota[key][w])


def _use_of_plugs(highs, problem, crop, made, use) -> None:  # type: ignore[no-untyped-def]
    """Stock of each ready week, kept from week to week; each demand is met early, late or not."""
    inf = highspy.kHighsInf
    share = 1.0 / problem.plugs_per_ready_place
    met = defaultdict(list)
    for ready in range(problem.weeks):
        ends = ready + crop.life <= problem.weeks
        stock = None
        served_late = []
        for wanted in range(max(0, ready - crop.lateness), ready):
            late = highs.addVariable(lb=0, ub=inf, obj=crop.late_cost * (ready - wanted))
            met[wanted].append(late)
            served_late.append(1 * late)
        for week in range(ready, min(problem.weeks, ready + crop.life)):
            sold = highs.addVariable(lb=0, ub=inf)
            met[week].append(sold)
            # plugs that are held on have a buyer; plugs without one are discarded at once
            kept = highs.addVariable(
                lb=0,
                ub=inf if week + 1 < min(problem.weeks, ready + crop.life) else 0,
                obj=crop.store_cost,
            )
            use[problem.ready_area, week].append(share * kept)
            if stock is None:
                gone = highs.addVariable(lb=0, ub=inf, obj=crop.discard_cost if ends else 0)
                out = sum(served_late, start=1 * sold + kept + gone)
                supply = made[ready]
                if supply:
                    total = sum(supply[1:], start=supply[0])
                    highs.addConstr(out - total == crop.ready[ready])
                else:
                    highs.addConstr(out == crop.ready[ready])
            else:
                highs.addConstr(sold + kept - stock == 0)
            stock = kept
    for week in range(problem.weeks):
        unmet = highs.addVariable(lb=0, ub=inf, obj=crop.shortage_cost)
        highs.addConstr(sum(met[week], start=1 * unmet) == crop.demand[week])


def _runs(problem: Problem) -> list[tuple[Protocol, int, int]]:
    return [
        (protocol, week, extra)
        for crop in problem.crops
        for protocol in crop.protocols
        for week in range(problem.weeks)
        for extra in range(protocol.extra_weeks + 1)
        if ready_week(problem, protocol, week, extra) < problem.weeks
    ]


def number_of_runs(problem: Problem) -> int:
    return len(_runs(problem))


def every_plan(problem: Problem, most: int) -> Iterator[Batch]:
    """All plans of at most `most` trays a run that keep smallest batch, starts and quota."""
    runs = _runs(problem)
    for numbers in itertools.product(range(most + 1), repeat=len(runs)):
        trays: Batch = {}
        batch: dict[tuple[str, int], int] = defaultdict(int)
        quota: dict[tuple[str, int], int] = defaultdict(int)
        least: dict[tuple[str, int], int] = {}
        for (protocol, week, extra), number in zip(runs, numbers, strict=True):
            if number:
                trays[protocol.key, week, extra] = number
                batch[protocol.key, week] += number
                least[protocol.key, week] = protocol.smallest_batch
                if protocol.mother is not None:
                    quota[protocol.mother, week] += number * protocol.propagules
        starts = defaultdict(int)
        for _, week in batch:
            starts[week] += 1
        allowed = {m.key: m.quota for m in problem.mothers}
        if (
            all(number >= least[key] for key, number in batch.items())
            and all(number <= problem.starts_per_week for number in starts.values())
            and all(number <= allowed[key][week] for (key, week), number in quota.items())
        ):
            yield trays
