"""What does a plan come to, without working out again what it shares with one that was judged?

Which plugs meet which demand is one linear program (`solver.propagation.judge.complete`). Its crops
meet in the places of the ready area alone. A place of a week with room left over costs nothing, one
of a week that is over costs what overflow costs: where every week that the touched crops can use is
clearly the one or the other, before and after, the other crops have no reason to change, and
solving the touched crops beside them gives the same optimum. Where one is just full, all is solved.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from solver.propagation import Problem
from solver.propagation.judge import Completion, Flow, Loads, complete
from solver.propagation.problem import Crop

_CRUMB = 1e-6


@dataclass(frozen=True)
class _Known:
    """A completion that was found, with the ready places and plugs that it is of."""

    room: Sequence[int]
    plugs: dict[str, list[int]]
    completion: Completion


class CompletionJudge:
    """Completes plans and shocks of one problem, solving only the crops that one differs in.

    Demand, prices and lives are those of the problem in all of them. `short` counts how often
    only the crops that differed were solved.
    """

    def __init__(self) -> None:
        self._known: list[_Known] = []
        self.short = 0

    def completion(self, problem: Problem, what: Loads) -> Completion:
        """How are the plugs best used?"""
        room = _ready_room(problem, what)
        found = self._from_known(problem, what, room) or complete(problem, what)
        self.know(problem, what, found)
        return found

    def know(self, problem: Problem, what: Loads, found: Completion) -> None:
        """Remembers a completion of this problem, to start from."""
        self._known.append(_Known(_ready_room(problem, what), what.plugs, found))

    def _from_known(self, problem: Problem, what: Loads, room: list[int]) -> Completion | None:
        if not self._known:
            return None
        base = min(self._known, key=lambda known: len(_touched(problem, what, known)))
        touched = _touched(problem, what, base)
        if not touched and room == base.room:
            return base.completion
        if not touched or 2 * len(touched) > len(problem.crops):
            return None
        found = _beside(problem, what, touched, base)
        self.short += found is not None
        return found


def _beside(problem: Problem, what: Loads, touched: list[Crop], base: _Known) -> Completion | None:
    """The completion with only these crops solved, the others as they were.

    None where it may not be the best.
    """
    room = _ready_room(problem, what)
    others = _without(base.completion, {crop.key for crop in touched}, problem)
    left = [a - b for a, b in zip(room, others.held, strict=True)]
    ready = next(area for area in problem.areas if area.key == problem.ready_area)
    taken = [a - b for a, b in zip(ready.places, left, strict=True)]
    places = {**what.places, problem.ready_area: taken}
    found = complete(
        replace(problem, crops=tuple(touched)),
        replace(what, places=places),  # type: ignore[arg-type]
    )
    held = [a + b for a, b in zip(others.held, found.held, strict=True)]
    before, now = _states(base.room, base.completion.held), _states(room, held)
    moved = {week for week, (a, b) in enumerate(zip(room, base.room, strict=True)) if a != b}
    moved |= _weeks_of(touched, base.plugs) | _weeks_of(touched, what.plugs)
    if any(before[week] == 0 or before[week] != now[week] for week in moved):
        return None
    return Completion(
        flows=(*others.flows, *found.flows),
        unmet={**others.unmet, **found.unmet},
        discarded={**others.discarded, **found.discarded},
        held=tuple(held),
        cost=others.cost + found.cost,
    )


def _touched(problem: Problem, what: Loads, known: _Known) -> list[Crop]:
    return [crop for crop in problem.crops if what.plugs[crop.key] != known.plugs[crop.key]]


def _ready_room(problem: Problem, what: Loads) -> list[int]:
    ready = next(area for area in problem.areas if area.key == problem.ready_area)
    return [a - b for a, b in zip(ready.places, what.places[ready.key], strict=True)]


def _states(room: Iterable[float], held: Iterable[float]) -> list[int]:
    """Per week: is there clearly room left over (1), clearly none (-1), or is it just full (0)?"""
    left = [a - b for a, b in zip(room, held, strict=True)]
    return [0 if abs(one) <= _CRUMB else 1 if one > 0 else -1 for one in left]


def _weeks_of(crops: Iterable[Crop], plugs_of: Mapping[str, Sequence[int]]) -> set[int]:
    """In which weeks may these plugs of these crops wait in the ready area?"""
    found: set[int] = set()
    for crop in crops:
        for ready, plugs in enumerate(plugs_of[crop.key]):
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
