"""Which way does somebody walk who goes through every aisle with a pick from end to end?

The rule of thumb that a walk must beat: through the first such aisle to the back, through the next
to the front, and so on; out of the last one the way it was entered, if it is entered at the front.
Trolleys are filled in that order.
"""

from __future__ import annotations

from collections.abc import Sequence

from solver.walking.problem import Plan, Problem, Stop


def s_shape(problem: Problem) -> Plan:
    """The walks of the rule of thumb."""
    walks: list[tuple[str, ...]] = []
    held: list[Stop] = []
    for stop in snake(problem.stops):
        if held and sum(one.load for one in held) + stop.load > problem.trolley:
            walks.append(_walk(held))
            held = []
        held.append(stop)
    return Plan(tuple([*walks, _walk(held)] if held else walks))


def snake(stops: Sequence[Stop]) -> list[Stop]:
    """The stops in the order of the rule of thumb, aisle by aisle, up one and down the next."""
    found: list[Stop] = []
    for turn, x in enumerate(sorted({stop.x for stop in stops})):
        aisle = [stop for stop in stops if stop.x == x]
        found += sorted(aisle, key=lambda stop: (stop.y, stop.key), reverse=turn % 2 == 1)
    return found


def s_shape_length(problem: Problem, walk: Sequence[str]) -> int:
    """How far does somebody walk who does not turn round in an aisle? (Only in the last one.)

    Longer than the stops in this order need be: a visited aisle is walked from end to end.
    """
    stops = [problem.stop_of[key] for key in walk]
    aisles = sorted({stop.x for stop in stops})
    if not aisles:
        return 0
    last = max(stop.y for stop in stops if stop.x == aisles[-1])
    up_and_down = (len(aisles) - len(aisles) % 2) * problem.depth
    odd = 2 * last if len(aisles) % 2 else 0
    ends = abs(problem.table - aisles[0]) + aisles[-1] - aisles[0] + abs(aisles[-1] - problem.table)
    return up_and_down + odd + ends


def _walk(stops: Sequence[Stop]) -> tuple[str, ...]:
    return tuple(stop.key for stop in snake(stops))
