"""Which assumptions does a plan hang on most? What it costs more if one is 10 % worse.

The plan is left as it is and judged again with the assumption made worse: fewer plugs live, a
stage takes longer, work takes more minutes, customers come earlier. Nothing is solved again, so
this is what the mistake costs a nursery that follows the plan and finds out too late. Only the
crops concerned are judged again; what the others take stands as work in progress. Where a tenth
is no whole number (weeks, minutes) the next whole step is judged and the change is taken in
proportion.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from nursery.planning.assumptions import Assumption
from solver.propagation import Area, Crop, Plan, Problem, Protocol, cost
from solver.propagation.judge import complete, loads

WORSE = 0.1


@dataclass(frozen=True, slots=True)
class ProtocolFacts:
    """What an assumption's key says of a protocol: its method and the kinds of its stages.

    `uncertain_plugs` are the safe plugs a tray if overdispersion is a tenth higher.
    """

    method: str
    stages: tuple[str, ...]
    uncertain_plugs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class WeighedAssumption:
    """An assumption, and what the plan costs more (hundredths of a cent) if it is 10 % worse."""

    assumption: Assumption
    costs_more: int


Change = tuple[Problem, float]


def assumptions_that_matter(
    problem: Problem,
    plan: Plan,
    assumptions: Sequence[Assumption],
    facts: Mapping[str, ProtocolFacts],
    most: int = 5,
    seconds: float = 8.0,
) -> tuple[WeighedAssumption, ...]:
    """Which `most` assumptions move the plan's cost most, the greatest first?

    Those that cannot be judged without planning again (smallest batch, service level, batch
    starts) are left out, and so are the last ones where `seconds` are over.
    """
    end = time.monotonic() + seconds
    parts: dict[tuple[str, ...], tuple[Problem, Plan, int]] = {}
    found: list[WeighedAssumption] = []
    for one in sorted(assumptions, key=lambda a: len(a.crops), reverse=True):
        if time.monotonic() > end:
            break
        crops = one.crops or tuple(crop.key for crop in problem.crops)
        if crops not in parts:
            small, its = part_of(problem, plan, frozenset(crops))
            parts[crops] = small, its, cost(small, its)
        small, its, before = parts[crops]
        changed = worse(small, one.key, facts)
        if changed is None:
            continue
        more = (cost(changed[0], its) - before) * changed[1]
        if more > 0:
            found.append(WeighedAssumption(one, round(more)))
    return tuple(sorted(found, key=lambda w: (-w.costs_more, w.assumption.key))[:most])


def part_of(problem: Problem, plan: Plan, crops: frozenset[str]) -> tuple[Problem, Plan]:
    """Which problem and plan are left of these crops, if the others stay as they are planned?"""
    kept = tuple(crop for crop in problem.crops if crop.key in crops)
    inside = {protocol.key for crop in kept for protocol in crop.protocols}
    mine = Plan(tuple(s for s in plan.starts if s.protocol in inside))
    others = Plan(tuple(s for s in plan.starts if s.protocol not in inside))
    if len(kept) == len(problem.crops):
        return problem, mine
    rest = replace(
        problem,
        crops=tuple(crop for crop in problem.crops if crop.key not in crops),
        fixed=(),
        accepted=(),
    )
    taken = loads(rest, others)
    held = complete(rest, taken).held
    places = dict(taken.places)
    places[problem.ready_area] = [
        t + math.ceil(h - 1e-6) for t, h in zip(places[problem.ready_area], held, strict=True)
    ]
    areas = tuple(Area(a.key, a.places, tuple(places[a.key])) for a in problem.areas)
    small = replace(
        problem,
        crops=kept,
        areas=areas,
        wip_minutes=tuple(taken.minutes),
        fixed=(),
        accepted=(),
    )
    return small, mine


def worse(problem: Problem, key: str, facts: Mapping[str, ProtocolFacts]) -> Change | None:
    """Which problem has the assumption of this key a tenth worse, and how is the change scaled?

    None where the key names nothing that a plan can be judged by.
    """
    first, _, rest = key.partition("/")
    what, _, stage = rest.partition("/")
    if first == "site":
        return _site_worse(problem, what)
    if first == "sales":
        return _crops_worse(problem, _earlier), 1.0
    if what in _OF_CROP:
        change, scale = _OF_CROP[what]
        return _crops_worse(problem, change), scale(problem)
    if what in _OF_PROTOCOL:
        changed, scales = _protocols_worse(problem, first, what, stage, facts)
        return changed, sum(scales) / len(scales) if scales else 0.0
    return None


def _site_worse(problem: Problem, what: str) -> Change | None:
    if what == "regular work":
        price = math.ceil(problem.regular_cost * (1 + WORSE))
        return replace(problem, regular_cost=min(price, problem.overtime_cost)), 1.0
    if what == "overtime work":
        price = math.ceil(problem.overtime_cost * (1 + WORSE))
        return replace(problem, overtime_cost=min(price, problem.beyond_cost)), 1.0
    if what == "overflow":
        price = math.ceil(problem.overflow_cost * (1 + WORSE))
        return replace(problem, overflow_cost=price), 1.0
    return None


def _crops_worse(problem: Problem, change: Callable[[Crop], Crop]) -> Problem:
    return replace(problem, crops=tuple(change(crop) for crop in problem.crops))


def _earlier(crop: Crop) -> Crop:
    """A tenth of each week's plugs is wanted a week earlier."""
    moved = [round(plugs * WORSE) for plugs in crop.demand]
    moved[:1] = [0]
    demand = [
        plugs - leaves + comes
        for plugs, leaves, comes in zip(crop.demand, moved, [*moved[1:], 0], strict=True)
    ]
    return replace(crop, demand=tuple(demand))


def _mean_life(problem: Problem) -> float:
    return WORSE * sum(crop.life for crop in problem.crops) / max(1, len(problem.crops))


def _mean_lateness(problem: Problem) -> float:
    return WORSE * sum(crop.lateness for crop in problem.crops) / max(1, len(problem.crops))


def _whole(problem: Problem) -> float:
    return 1.0


_OF_CROP: dict[str, tuple[Callable[[Crop], Crop], Callable[[Problem], float]]] = {
    "life": (lambda c: replace(c, life=max(1, c.life - 1)), _mean_life),
    "lateness": (lambda c: replace(c, lateness=max(0, c.lateness - 1)), _mean_lateness),
    "cost of a plug unmet": (
        lambda c: replace(c, shortage_cost=math.ceil(c.shortage_cost * (1 + WORSE))),
        _whole,
    ),
}
_OF_PROTOCOL = (
    "survival",
    "days",
    "minutes",
    "overdispersion",
    "flush",
    "batch minutes",
    "tray cost",
)


def _protocols_worse(
    problem: Problem, method: str, what: str, stage: str, facts: Mapping[str, ProtocolFacts]
) -> tuple[Problem, list[float]]:
    scales: list[float] = []
    crops = []
    for crop in problem.crops:
        protocols = []
        for protocol in crop.protocols:
            fact = facts.get(protocol.key)
            if fact is None or fact.method != method:
                protocols.append(protocol)
                continue
            changed, scale = _protocol_worse(protocol, what, stage, fact)
            scales.append(scale)
            protocols.append(changed)
        crops.append(replace(crop, protocols=tuple(protocols)))
    return replace(problem, crops=tuple(crops)), scales


def _protocol_worse(
    protocol: Protocol, what: str, stage: str, fact: ProtocolFacts
) -> tuple[Protocol, float]:
    if what == "survival":
        fewer = tuple(math.floor(p * (1 - WORSE) + 0.5) for p in protocol.plugs)
        return replace(protocol, plugs=fewer), 1.0
    if what == "overdispersion":
        return replace(protocol, plugs=fact.uncertain_plugs), 1.0
    if what == "flush":
        later = round(protocol.plugs[0] * WORSE)
        second = protocol.plugs[1] if len(protocol.plugs) > 1 else 0
        plugs = (protocol.plugs[0] - later, second + later, *protocol.plugs[2:])
        return replace(protocol, plugs=plugs), 1.0
    if what == "tray cost":
        return replace(protocol, tray_cost=math.ceil(protocol.tray_cost * (1 + WORSE))), 1.0
    if what == "batch minutes":
        longer = math.ceil(protocol.batch_minutes * (1 + WORSE))
        return replace(protocol, batch_minutes=longer), 1.0
    return _stage_worse(protocol, what, stage, fact)


def _stage_worse(
    protocol: Protocol, what: str, stage: str, fact: ProtocolFacts
) -> tuple[Protocol, float]:
    if stage not in fact.stages or len(fact.stages) != len(protocol.stages):
        return protocol, 0.0
    place = fact.stages.index(stage)
    old = protocol.stages[place]
    if what == "minutes":
        minutes = math.ceil(old.minutes * (1 + WORSE))
        scale = WORSE * old.minutes / (minutes - old.minutes) if minutes > old.minutes else 0.0
        new = replace(old, minutes=minutes)
    else:
        scale = min(1.0, WORSE * sum(old.dwell) / max(1, len(old.dwell)))
        new = replace(old, dwell=tuple(weeks + 1 for weeks in old.dwell))
    stages = (*protocol.stages[:place], new, *protocol.stages[place + 1 :])
    return replace(protocol, stages=stages), scale
