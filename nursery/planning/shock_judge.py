"""What does a plan come to after a shock, without working out again what the shock does not touch?

Which plugs meet which demand is one linear program (`solver.propagation.judge.complete`). Its crops
meet in the places of the ready area alone. A place of a week with room left over costs nothing, one
of a week that is over costs what overflow costs: where every week that the touched crops can use is
clearly the one or the other, before and after, the other crops have no reason to change, and
solving the touched crops beside them gives the same optimum. Where one is just full, all is solved.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from nursery.planning.plan_report import Judged
from solver.propagation import Problem
from solver.propagation.judge import Completion, Flow, Loads, complete
from solver.propagation.problem import Crop

_CRUMB = 1e-6


class CompletionJudge:
    """Completes the plan that was judged, under other data, solving only what they touch."""

    def __init__(self, at: Judged) -> None:
        self._at = at

    def completion(self, problem: Problem, what: Loads) -> Completion:
        """How are the plugs best used now? Demand, prices and lives are as they were."""
        before = self._at.loads
        touched = [c for c in problem.crops if what.plugs[c.key] != before.plugs[c.key]]
        if not touched and _ready_room(problem, what) == _ready_room(self._at.problem, before):
            return self._at.completion
        if touched and 2 * len(touched) <= len(problem.crops):
            found = self._touched(problem, what, touched)
            if found is not None:
                return found
        return complete(problem, what)

    def _touched(self, problem: Problem, what: Loads, touched: list[Crop]) -> Completion | None:
        """The completion with only these crops solved; None where that may not be the best."""
        before, keys = self._at.completion, {crop.key for crop in touched}
        others = _without(before, keys, problem)
        room = _ready_room(problem, what)
        places = [
            taken + held
            for taken, held in zip(what.places[problem.ready_area], others.held, strict=True)
        ]
        beside = replace(what, places={**what.places, problem.ready_area: places})  # type: ignore[dict-item]
        found = complete(replace(problem, crops=tuple(touched)), beside)
        held = [a + b for a, b in zip(others.held, found.held, strict=True)]
        was = _states(_ready_room(self._at.problem, self._at.loads), before.held)
        now = _states(room, held)
        if any(was[week] == 0 or was[week] != now[week] for week in _weeks_of(touched, what)):
            return None
        return Completion(
            flows=(*others.flows, *found.flows),
            unmet={**others.unmet, **found.unmet},
            discarded={**others.discarded, **found.discarded},
            held=tuple(held),
            cost=others.cost + found.cost,
        )


def _ready_room(problem: Problem, what: Loads) -> list[int]:
    ready = next(area for area in problem.areas if area.key == problem.ready_area)
    return [a - b for a, b in zip(ready.places, what.places[ready.key], strict=True)]


def _states(room: Iterable[float], held: Iterable[float]) -> list[int]:
    """Per week: is there clearly room left over (1), clearly none (-1), or is it just full (0)?"""
    left = [a - b for a, b in zip(room, held, strict=True)]
    return [0 if abs(one) <= _CRUMB else 1 if one > 0 else -1 for one in left]


def _weeks_of(crops: Iterable[Crop], what: Loads) -> set[int]:
    """In which weeks may plugs of these crops wait in the ready area?"""
    found: set[int] = set()
    for crop in crops:
        for ready, plugs in enumerate(what.plugs[crop.key]):
            last = min(ready + crop.life, len(crop.demand))
            wanted = [week for week in range(ready + 1, last) if crop.demand[week]]
            if plugs and wanted:
                found.update(range(ready, max(wanted)))
    return found


def _without(whole: Completion, keys: set[str], problem: Problem) -> Completion:
    """What the other crops have of a completion; its cost is without overflow of the ready area."""
    crops = {crop.key: crop for crop in problem.crops}
    flows = tuple(flow for flow in whole.flows if flow.crop not in keys)
    unmet = {key: plugs for key, plugs in whole.unmet.items() if key[0] not in keys}
    discarded = {key: plugs for key, plugs in whole.discarded.items() if key[0] not in keys}
    held = [0.0] * problem.weeks
    for flow in flows:
        for week in range(flow.ready, flow.wanted):
            held[week] += flow.plugs / problem.plugs_per_ready_place
    price = sum(_price(crops[flow.crop], flow) for flow in flows)
    price += sum(plugs * crops[key].shortage_cost for (key, _), plugs in unmet.items())
    price += sum(
        plugs * crops[key].discard_cost
        for (key, week), plugs in discarded.items()
        if week + crops[key].life <= problem.weeks
    )
    return Completion(flows, unmet, discarded, tuple(held), price)


def _price(crop: Crop, flow: Flow) -> float:
    waits, late = max(0, flow.wanted - flow.ready), max(0, flow.ready - flow.wanted)
    return flow.plugs * (waits * crop.store_cost + late * crop.late_cost)
