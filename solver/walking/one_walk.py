"""What is the shortest walk by all of these stops? Exact, by going from aisle to aisle.

Ratliff & Rosenthal (1983), "Order-picking in a rectangular warehouse: a solvable case of the
traveling salesman problem", Operations Research 31(3). A walk is a connected graph whose nodes all
have an even number of path ends. Going through the aisles in their order, all that has to be known
of what lies behind is whether the ends at the back and at the front are odd, even or not used, and
whether what was used hangs together in one piece or in two: seven states, a few ways to walk each
aisle, a few ways to the next. The time is linear in the number of aisles.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from solver.walking.problem import Problem, Stop

_ZERO, _ODD, _EVEN = 0, 1, 2


class _State(NamedTuple):
    """Ends at the back and at the front (not used, odd, even), and in how many pieces."""

    back: int
    front: int
    pieces: int


class _Way(NamedTuple):
    """A way to walk an aisle, or to the next: its length and the stretches that it is made of.

    A stretch joins two nodes; nodes are (x, y), so that front and back are nodes as well.
    """

    length: int
    stretches: tuple[tuple[tuple[int, int], tuple[int, int]], ...]


@dataclass(frozen=True)
class _Found:
    length: int
    before: _Found | None
    stretches: tuple[tuple[tuple[int, int], tuple[int, int]], ...]


Known = dict[frozenset[tuple[int, int]], _Found]
"""What was found for these spots (x, y): where the stops lie decides, not how many lie there."""


def shortest_walk(
    problem: Problem, stops: Sequence[Stop], known: Known | None = None
) -> tuple[str, ...]:
    """The keys of these stops in the order of the shortest walk from the table and back.

    The trolley's room is not looked at. With `known` of the same problem the same spots are
    searched once.
    """
    if not stops:
        return ()
    known = {} if known is None else known
    spots = frozenset((stop.x, stop.y) for stop in stops)
    if spots not in known:
        known[spots] = _search(problem, stops)
    return _as_walked(problem, stops, known[spots])


def _search(problem: Problem, stops: Sequence[Stop]) -> _Found:
    """The cheapest graph that touches every stop and the table, aisle by aisle."""
    spots: dict[int, set[int]] = defaultdict(set)
    spots[problem.table].add(0)
    for stop in stops:
        spots[stop.x].add(stop.y)
    aisles = sorted(spots)
    reached = {_State(_ZERO, _ZERO, 0): _Found(0, None, ())}
    for at, x in enumerate(aisles):
        within: dict[_State, _Found] = {}
        for state, found in reached.items():
            for shape, way in _within(x, sorted(spots[x]), problem.depth):
                _keep(within, _after_aisle(state, shape), found, way)
        if at == len(aisles) - 1:
            reached = within
            break
        reached = {}
        for state, found in within.items():
            for times, way in _across(x, aisles[at + 1], problem.depth):
                _keep(reached, _after_cross(state, times), found, way)
    ends = [found for state, found in reached.items() if state.pieces == 1 and _is_even(state)]
    return min(ends, key=lambda found: found.length)


def _keep(into: dict[_State, _Found], state: _State | None, before: _Found, way: _Way) -> None:
    if state is None:
        return
    length = before.length + way.length
    if state not in into or length < into[state].length:
        into[state] = _Found(length, before, way.stretches)


def _is_even(state: _State) -> bool:
    return state.back != _ODD and state.front != _ODD


def _within(x: int, ys: Sequence[int], depth: int) -> Iterator[tuple[str, _Way]]:
    """Every sensible way to walk an aisle with these spots."""
    front, back = (x, 0), (x, depth)
    nodes = [front, *((x, y) for y in ys if 0 < y < depth), back]
    steps = list(itertools.pairwise(nodes))
    yield "through", _Way(depth, tuple(steps))
    twice = tuple(step for step in steps for _ in range(2))
    yield "twice", _Way(2 * depth, twice)
    yield "from front", _there_and_back([step for step in steps if step[0][1] < ys[-1]])
    yield "from back", _there_and_back([step for step in steps if step[1][1] > ys[0]])
    # from both ends, leaving out one gap between neighbours: never one that both ends' spots need
    for low, high in itertools.pairwise(ys):
        rest = [step for step in steps if step[1][1] <= low or step[0][1] >= high]
        yield "from both", _there_and_back(rest)


def _there_and_back(steps: Sequence[tuple[tuple[int, int], tuple[int, int]]]) -> _Way:
    length = sum(b[1] - a[1] for a, b in steps)
    return _Way(2 * length, tuple(step for step in steps for _ in range(2)))


def _after_aisle(state: _State, shape: str) -> _State | None:
    """What is known after an aisle was walked in this shape; None where that is of no use."""
    back, front, pieces = state
    if shape == "through":
        return _State(_plus(back, _ODD), _plus(front, _ODD), 1)
    if shape == "twice":
        return _State(_plus(back, _EVEN), _plus(front, _EVEN), 1)
    if shape == "from front":
        return _State(back, _plus(front, _EVEN), _pieces(back, front, pieces, "front"))
    if shape == "from back":
        return _State(_plus(back, _EVEN), front, _pieces(back, front, pieces, "back"))
    joined = pieces == 1 and back != _ZERO and front != _ZERO
    return _State(_plus(back, _EVEN), _plus(front, _EVEN), 1 if joined else 2)


def _pieces(back: int, front: int, pieces: int, at: str) -> int:
    """Does a walk into the aisle from one end hang together with what was used before?"""
    used = front if at == "front" else back
    if pieces == 0:
        return 1
    return pieces if used != _ZERO else pieces + 1


def _plus(end: int, more: int) -> int:
    if end == _ZERO:
        return more
    if more == _EVEN:
        return end
    return _EVEN if end == _ODD else _ODD


def _across(x: int, following: int, depth: int) -> Iterator[tuple[tuple[int, int], _Way]]:
    """Every sensible way to the next aisle: how often by the back and by the front."""
    far = following - x
    for back, front in ((1, 1), (2, 0), (0, 2), (2, 2)):
        stretches = (((x, depth), (following, depth)),) * back + (((x, 0), (following, 0)),) * front
        yield (back, front), _Way(far * (back + front), stretches)


def _after_cross(state: _State, times: tuple[int, int]) -> _State | None:
    """What is known at the next aisle; None if a piece or an odd end would be left behind."""
    back, front = times
    if (state.back == _ODD) != (back == 1) or (state.front == _ODD) != (front == 1):
        return None
    if back and state.back == _ZERO and not (back == 2 and front == 2):
        return None
    if front and state.front == _ZERO and not (back == 2 and front == 2):
        return None
    if state.pieces == 2 and (not back or not front):
        return None
    ends = _ODD if back == 1 else _EVEN if back else _ZERO
    other = _ODD if front == 1 else _EVEN if front else _ZERO
    if back == 2 and front == 2 and _ZERO in (state.back, state.front):
        return _State(ends, other, state.pieces + 1) if state.pieces < 2 else None
    return _State(ends, other, state.pieces)


def _as_walked(problem: Problem, stops: Sequence[Stop], found: _Found) -> tuple[str, ...]:
    """The stops in the order in which a round by all stretches comes to them first."""
    ways: dict[tuple[int, int], list[tuple[int, int]]] = defaultdict(list)
    at: _Found | None = found
    while at is not None:
        for one, other in at.stretches:
            ways[one].append(other)
            ways[other].append(one)
        at = at.before
    here: dict[tuple[int, int], list[str]] = defaultdict(list)
    for stop in stops:
        here[stop.x, stop.y].append(stop.key)
    order: list[str] = []
    for node in _round(ways, (problem.table, 0)):
        order += here.pop(node, [])
    return tuple(order)


def _round(
    ways: dict[tuple[int, int], list[tuple[int, int]]], start: tuple[int, int]
) -> list[tuple[int, int]]:
    """A closed round by every stretch, each as often as it stands there (Hierholzer 1873)."""
    path, found = [start], []
    while path:
        node = path[-1]
        if ways[node]:
            following = ways[node].pop()
            ways[following].remove(node)
            path.append(following)
        else:
            found.append(path.pop())
    return found[::-1]
