"""Is a plan allowed, and what does it cost? Written without the solver.

What a plan does not say (which plugs meet which demand, what waits, what is late) is the cheapest
choice: a linear program that scipy solves here, apart from the models that made the plan.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from solver.late import Late
from solver.propagation.plan import Plan, batches
from solver.propagation.problem import Crop, Problem, Protocol
from solver.propagation.runs import Run, run

if TYPE_CHECKING:
    from scipy import optimize, sparse
else:
    optimize, sparse = Late("scipy.optimize"), Late("scipy.sparse")

Key = tuple[str, int]


@dataclass(frozen=True)
class Loads:
    """What do the starts of a plan take and give? Work in progress is included.

    `places[area][w]`, `minutes[w]`, `plugs[crop][w]` that become ready, `starts` the cost of trays
    and batches, `changes` the accepted batches that were changed.
    """

    places: dict[str, list[int]]
    minutes: list[int]
    plugs: dict[str, list[int]]
    trays_cost: int
    batches_cost: int
    changes: tuple[Key, ...]


@dataclass(frozen=True)
class Flow:
    """Plugs of a crop that become ready in one week and meet the demand of another."""

    crop: str
    ready: int
    wanted: int
    plugs: float


@dataclass(frozen=True)
class Completion:
    """The cheapest way to use what a plan raises: flows, unmet and discarded plugs, and its cost.

    `unmet` and `discarded` are by (crop, week); `held[w]` are tray places of the ready area that
    waiting plugs take; `cost` covers storage, lateness, shortage, discards and the overflow of
    the ready area.
    """

    flows: tuple[Flow, ...]
    unmet: dict[Key, float]
    discarded: dict[Key, float]
    held: tuple[float, ...]
    cost: float


def _whole_runs(problem: Problem, plan: Plan) -> list[tuple[Run, int]]:
    owner = {p.key: (crop.key, p) for crop in problem.crops for p in crop.protocols}
    found: list[tuple[Run, int]] = []
    for start in plan.starts:
        crop, protocol = owner[start.protocol]
        one = run(problem.weeks, crop, protocol, start.week, start.extra)
        if one is not None:
            found.append((one, start.trays))
    return found


def loads(problem: Problem, plan: Plan) -> Loads:
    """What the starts of a plan that `violations` passes take and give, by week."""
    protocols = problem.protocols()
    places = {area.key: list(area.wip_places) for area in problem.areas}
    minutes = list(problem.wip_minutes)
    plugs = {crop.key: list(crop.ready) for crop in problem.crops}
    trays_cost = 0
    for one, trays in _whole_runs(problem, plan):
        trays_cost += one.cost * trays
        for area, enter, leave, taken in one.stays:
            for week in range(enter, leave):
                places[area][week] += taken * trays
        for week, work in one.minutes:
            minutes[week] += work * trays
        for week, made in one.plugs:
            plugs[one.crop][week] += made * trays
    batches_cost = 0
    for protocol, week in plan.batches():
        batches_cost += protocols[protocol].batch_cost[week]
        minutes[week] += protocols[protocol].batch_minutes
    return Loads(places, minutes, plugs, trays_cost, batches_cost, changed(problem, plan))


def changed(problem: Problem, plan: Plan) -> tuple[Key, ...]:
    """Accepted batches whose number of trays the plan changes."""
    planned = plan.batches()
    accepted = batches(problem.accepted)
    return tuple(sorted(key for key, trays in accepted.items() if planned.get(key, 0) != trays))


def violations(problem: Problem, plan: Plan) -> list[str]:
    """Which rules does the plan break? Plain sentences; none for a plan that may be followed.

    Smallest batch, starts per week, quota, the horizon and what is fixed are rules; places, hours
    and shortage are priced instead. A batch that is fixed may break a rule by itself.
    """
    protocols = problem.protocols()
    found: list[str] = []
    for start in plan.starts:
        protocol = protocols.get(start.protocol)
        if protocol is None:
            found.append(f"Protocol {start.protocol!r} is not among the protocols")
        else:
            found.extend(_start_violations(problem, protocol, start.week, start.extra))
    if found:
        return found
    planned = plan.batches()
    fixed = batches(problem.fixed)
    found.extend(_batch_violations(problem, planned, fixed, protocols))
    found.extend(_week_violations(problem, planned, fixed))
    found.extend(_quota_violations(problem, planned, fixed, protocols))
    return found


def _start_violations(problem: Problem, protocol: Protocol, week: int, extra: int) -> list[str]:
    if not 0 <= week < problem.weeks:
        return [f"{protocol.key} starts in week {week}, outside the {problem.weeks} weeks planned"]
    if not 0 <= extra <= protocol.extra_weeks:
        return [
            f"{protocol.key} of week {week} waits {extra} extra weeks; "
            f"{protocol.extra_weeks} are allowed"
        ]
    if run(problem.weeks, "", protocol, week, extra) is None:
        return [
            f"{protocol.key} of week {week} with {extra} extra weeks is not ready inside the "
            f"{problem.weeks} weeks planned"
        ]
    return []


def _batch_violations(
    problem: Problem,
    planned: dict[Key, int],
    fixed: dict[Key, int],
    protocols: dict[str, Protocol] | object,
) -> list[str]:
    assert isinstance(protocols, dict)
    found: list[str] = []
    for (key, week), trays in fixed.items():
        if planned.get((key, week), 0) != trays:
            found.append(
                f"{key} of week {week} is fixed at {trays} trays, planned are "
                f"{planned.get((key, week), 0)}"
            )
    for (key, week), trays in planned.items():
        if (key, week) in fixed:
            continue
        smallest = protocols[key].smallest_batch
        if trays < smallest:
            found.append(f"{key} of week {week}: {trays} trays, the smallest batch is {smallest}")
        if week < problem.frozen_weeks:
            found.append(f"{key} starts in week {week}, in which nothing new may start")
    return found


def _week_violations(problem: Problem, planned: dict[Key, int], fixed: dict[Key, int]) -> list[str]:
    starts: dict[int, int] = defaultdict(int)
    forced: dict[int, int] = defaultdict(int)
    for _, week in planned:
        starts[week] += 1
    for _, week in fixed:
        forced[week] += 1
    return [
        f"Week {week} has {number} batch starts, allowed are {problem.starts_per_week}"
        for week, number in sorted(starts.items())
        if number > max(problem.starts_per_week, forced[week])
    ]


def _quota_violations(
    problem: Problem,
    planned: dict[Key, int],
    fixed: dict[Key, int],
    protocols: dict[str, Protocol] | object,
) -> list[str]:
    assert isinstance(protocols, dict)
    found: list[str] = []
    for mother in problem.mothers:
        used = _propagules(planned, protocols, mother.key)
        forced = _propagules(fixed, protocols, mother.key)
        for week, number in sorted(used.items()):
            if number > max(mother.quota[week], forced.get(week, 0)):
                found.append(
                    f"Mother block {mother.key}: {number} propagules taken in week {week}, "
                    f"the quota is {mother.quota[week]}"
                )
    return found


def _propagules(
    planned: dict[Key, int], protocols: dict[str, Protocol], mother: str
) -> dict[int, int]:
    used: dict[int, int] = defaultdict(int)
    for (key, week), trays in planned.items():
        if protocols[key].mother == mother:
            used[week] += protocols[key].propagules * trays
    return used


def minutes_cost(problem: Problem, minutes: list[int]) -> int:
    """What do the minutes of each week cost: regular first, then overtime, then beyond?"""
    total = 0
    for week, used in enumerate(minutes):
        regular = min(used, problem.regular_minutes[week])
        over = min(used - regular, problem.overtime_minutes[week])
        beyond = used - regular - over
        total += regular * problem.regular_cost
        total += over * problem.overtime_cost + beyond * problem.beyond_cost
    return total


def overflow(problem: Problem, places: dict[str, list[int]]) -> int:
    """Place-weeks that are taken beyond what the areas have, the ready area aside."""
    return sum(
        max(0, taken - there)
        for area in problem.areas
        if area.key != problem.ready_area
        for taken, there in zip(places[area.key], area.places, strict=True)
    )


def cost(problem: Problem, plan: Plan) -> int:
    """What does a plan that `violations` passes cost, in hundredths of a cent, whole?"""
    what = loads(problem, plan)
    rest = complete(problem, what)
    return round(
        what.trays_cost
        + what.batches_cost
        + minutes_cost(problem, what.minutes)
        + overflow(problem, what.places) * problem.overflow_cost
        + len(what.changes) * problem.change_cost
        + rest.cost
    )


class _Columns:
    """The columns and rows of the completion's linear program, gathered as flat lists."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.equal: list[tuple[int, int, float]] = []
        self.right: list[float] = []
        self.flows: list[tuple[str, int, int]] = []
        self.held: list[tuple[int, int, float]] = []


def complete(problem: Problem, what: Loads) -> Completion:
    """How are the plugs best used? The linear program's optimum (feasible for any plan)."""
    free = _free_ready_places(problem, what)
    if not problem.weeks or not problem.crops:
        over = sum(max(0, -room) for room in free)
        return Completion((), {}, {}, (0.0,) * problem.weeks, over * problem.overflow_cost)
    columns = _Columns()
    for crop in problem.crops:
        _add_flows(columns, problem, crop, what.plugs[crop.key])
    flows = len(columns.flows)
    unmet, discarded = _add_slack(columns, problem, what)
    first_over = len(columns.cost)
    columns.cost.extend([float(problem.overflow_cost)] * problem.weeks)
    per_place = problem.plugs_per_ready_place
    width = len(columns.cost)
    equal = _matrix(columns.equal, len(columns.right), width)
    held = [(week, column, plugs / per_place) for week, column, plugs in columns.held]
    held += [(week, first_over + week, -1.0) for week in range(problem.weeks)]
    answer = optimize.linprog(
        np.array(columns.cost),
        A_ub=_matrix(held, problem.weeks, width),
        b_ub=np.array(free, dtype=float),
        A_eq=equal,
        b_eq=np.array(columns.right),
        method="highs",
    )
    if answer.status != 0:
        raise ArithmeticError(f"The completion of a plan could not be found: {answer.message}")
    x = np.maximum(answer.x, 0.0)
    return Completion(
        flows=tuple(
            Flow(crop, ready, wanted, float(x[column]))
            for column, (crop, ready, wanted) in enumerate(columns.flows)
            if x[column] > 1e-6
        ),
        unmet={key: float(x[column]) for key, column in unmet.items() if x[column] > 1e-6},
        discarded={key: float(x[column]) for key, column in discarded.items() if x[column] > 1e-6},
        held=_held(columns, x[:flows], problem),
        cost=float(answer.fun),
    )


def _free_ready_places(problem: Problem, what: Loads) -> list[int]:
    ready = next(area for area in problem.areas if area.key == problem.ready_area)
    return [
        there - taken for there, taken in zip(ready.places, what.places[ready.key], strict=True)
    ]


def _add_flows(columns: _Columns, problem: Problem, crop: Crop, plugs: list[int]) -> None:
    for ready in range(problem.weeks):
        if not plugs[ready]:
            continue
        first = max(0, ready - crop.lateness)
        for wanted in range(first, min(problem.weeks, ready + crop.life)):
            if not crop.demand[wanted]:
                continue
            column = len(columns.cost)
            waits, late = max(0, wanted - ready), max(0, ready - wanted)
            columns.cost.append(waits * crop.store_cost + late * crop.late_cost)
            columns.flows.append((crop.key, ready, wanted))
            columns.held.extend((week, column, 1.0) for week in range(ready, wanted))


def _add_slack(
    columns: _Columns, problem: Problem, what: Loads
) -> tuple[dict[Key, int], dict[Key, int]]:
    """Balance rows of every demand week and every ready week, with unmet and discarded plugs."""
    met: dict[Key, list[int]] = defaultdict(list)
    used: dict[Key, list[int]] = defaultdict(list)
    for column, (key, ready, wanted) in enumerate(columns.flows):
        met[key, wanted].append(column)
        used[key, ready].append(column)
    unmet: dict[Key, int] = {}
    discarded: dict[Key, int] = {}
    for crop in problem.crops:
        for week in range(problem.weeks):
            if crop.demand[week]:
                at = (crop.key, week)
                unmet[at] = _balance(columns, met[at], crop.demand[week], crop.shortage_cost)
            if what.plugs[crop.key][week]:
                at = (crop.key, week)
                ends = week + crop.life <= problem.weeks
                price = crop.discard_cost if ends else 0
                discarded[at] = _balance(columns, used[at], what.plugs[crop.key][week], price)
    return unmet, discarded


def _balance(columns: _Columns, members: list[int], total: int, price: int) -> int:
    row = len(columns.right)
    columns.right.append(float(total))
    slack = len(columns.cost)
    columns.cost.append(float(price))
    columns.equal.extend((row, column, 1.0) for column in (*members, slack))
    return slack


def _matrix(entries: list[tuple[int, int, float]], rows: int, width: int) -> sparse.coo_array:
    if not entries:
        return sparse.coo_array((rows, width))
    at, columns, values = zip(*entries, strict=True)
    return sparse.coo_array((values, (at, columns)), shape=(rows, width))


def _held(columns: _Columns, x: np.ndarray, problem: Problem) -> tuple[float, ...]:
    held = [0.0] * problem.weeks
    for week, column, plugs in columns.held:
        held[week] += float(x[column]) * plugs / problem.plugs_per_ready_place
    return tuple(held)
