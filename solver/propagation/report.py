"""What does a plan come to, week by week? Unmet and late plugs, places, hours, cost by kind."""

from __future__ import annotations

from dataclasses import dataclass

from solver.propagation.judge import Completion, Flow, Loads, complete, loads, minutes_cost
from solver.propagation.plan import Plan
from solver.propagation.problem import Problem

Key = tuple[str, int]


@dataclass(frozen=True)
class CostByKind:
    """The cost of a plan, split; the parts add up to `cost(problem, plan)` but for rounding."""

    trays: int
    batches: int
    storage: int
    lateness: int
    shortage: int
    discards: int
    minutes: int
    overflow: int
    changes: int

    def total(self) -> int:
        return (
            self.trays
            + self.batches
            + self.storage
            + self.lateness
            + self.shortage
            + self.discards
            + self.minutes
            + self.overflow
            + self.changes
        )


@dataclass(frozen=True)
class Report:
    """What a plan comes to.

    `unmet`, `late`, `discarded`: plugs by (crop, week), late ones by week of demand. `flows`: which
    plugs meet which demand. `use[area][w]`: places taken, waiting plugs and work in progress
    included; `overflow[area][w]`: those beyond what there is. `minutes[w]`, and how many of them
    are overtime and beyond it. `changes`: accepted batches whose trays differ.
    """

    unmet: dict[Key, int]
    late: dict[Key, int]
    discarded: dict[Key, int]
    flows: tuple[Flow, ...]
    use: dict[str, tuple[float, ...]]
    overflow: dict[str, tuple[float, ...]]
    minutes: tuple[int, ...]
    overtime: tuple[int, ...]
    beyond: tuple[int, ...]
    changes: tuple[Key, ...]
    cost: CostByKind


def breakdown(problem: Problem, plan: Plan) -> Report:
    """What does the plan come to? Plugs are rounded to whole ones."""
    what = loads(problem, plan)
    rest = complete(problem, what)
    use = {area.key: tuple(map(float, what.places[area.key])) for area in problem.areas}
    ready = use[problem.ready_area]
    use[problem.ready_area] = tuple(a + b for a, b in zip(ready, rest.held, strict=True))
    overflow = {
        area.key: tuple(
            max(0.0, taken - there) for taken, there in zip(use[area.key], area.places, strict=True)
        )
        for area in problem.areas
    }
    overtime, beyond = _extra_minutes(problem, what.minutes)
    late: dict[Key, float] = {}
    for flow in rest.flows:
        if flow.ready > flow.wanted:
            late[flow.crop, flow.wanted] = late.get((flow.crop, flow.wanted), 0.0) + flow.plugs
    return Report(
        unmet=_whole(rest.unmet),
        late=_whole(late),
        discarded=_whole(rest.discarded),
        flows=rest.flows,
        use=use,
        overflow=overflow,
        minutes=tuple(what.minutes),
        overtime=overtime,
        beyond=beyond,
        changes=what.changes,
        cost=_by_kind(problem, what, rest, overflow),
    )


def _whole(plugs: dict[Key, float]) -> dict[Key, int]:
    return {key: round(number) for key, number in sorted(plugs.items()) if round(number)}


def _extra_minutes(problem: Problem, minutes: list[int]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    more = [max(0, used - problem.regular_minutes[w]) for w, used in enumerate(minutes)]
    overtime = tuple(min(extra, problem.overtime_minutes[w]) for w, extra in enumerate(more))
    return overtime, tuple(extra - over for extra, over in zip(more, overtime, strict=True))


def _by_kind(
    problem: Problem, what: Loads, rest: Completion, overflow: dict[str, tuple[float, ...]]
) -> CostByKind:
    crops = {crop.key: crop for crop in problem.crops}
    storage = sum(
        flow.plugs * max(0, flow.wanted - flow.ready) * crops[flow.crop].store_cost
        for flow in rest.flows
    )
    lateness = sum(
        flow.plugs * max(0, flow.ready - flow.wanted) * crops[flow.crop].late_cost
        for flow in rest.flows
    )
    discards = sum(
        plugs * crops[key].discard_cost
        for (key, week), plugs in rest.discarded.items()
        if week + crops[key].life <= problem.weeks
    )
    return CostByKind(
        trays=what.trays_cost,
        batches=what.batches_cost,
        storage=round(storage),
        lateness=round(lateness),
        shortage=round(sum(n * crops[key].shortage_cost for (key, _), n in rest.unmet.items())),
        discards=round(discards),
        minutes=minutes_cost(problem, what.minutes),
        overflow=round(sum(map(sum, overflow.values())) * problem.overflow_cost),
        changes=len(what.changes) * problem.change_cost,
    )
