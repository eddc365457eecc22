"""Which map is there at once? Each stand takes the narrowest room that it fits into.

In the order of entry a map is always found if at no time more places are wanted (cleaning
included) than there are, trays take one place and nothing is fixed: intervals of time can be
coloured with as many places as are wanted at once. Only the number of blocks is then to be mended.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from solver.benching.judge import stand_cost
from solver.benching.problem import Area, Block, Problem, Stand, merged

Places = Mapping[str, tuple[Block, ...]]


class Room(NamedTuple):
    """Free places of a bench, side by side, for all periods of a stand."""

    growing_area: str
    bench: str
    first: int
    end: int

    @property
    def places(self) -> int:
        return self.end - self.first


class Floor:
    """The benches of one area with what stands on them; stands may be put down and taken up."""

    def __init__(self, problem: Problem, area: Area) -> None:
        self.problem = problem
        self.area = area
        self.places: dict[str, tuple[Block, ...]] = {}
        self._on: dict[str, dict[str, list[tuple[Stand, int, int]]]] = {
            bench.key: {} for bench in area.benches
        }

    def put(self, stand: Stand, blocks: Iterable[Block]) -> None:
        """Puts a stand down on these blocks, which must be free."""
        self.places[stand.key] = merged(blocks)
        for block in self.places[stand.key]:
            here = self._on[block.bench].setdefault(stand.key, [])
            here.append((stand, block.first, block.end))

    def take(self, stand: Stand) -> tuple[Block, ...]:
        """Takes a stand up again; its blocks are free then."""
        blocks = self.places.pop(stand.key, ())
        for block in blocks:
            self._on[block.bench].pop(stand.key, None)
        return blocks

    def rooms(self, stand: Stand) -> list[Room]:
        """Where is there room for this stand, beside all that is put down?"""
        found: list[Room] = []
        for bench in self.area.benches:
            if stand.bench is not None and stand.bench != bench.key:
                continue
            if not bench.open_for(stand.enters, stand.leaves):
                continue
            at = 0
            for first, end in sorted(self._blocked(stand, bench.key, bench.places)):
                if first > at:
                    found.append(Room(bench.growing_area, bench.key, at, first))
                at = max(at, end)
            if bench.places > at:
                found.append(Room(bench.growing_area, bench.key, at, bench.places))
        return found

    def _blocked(self, stand: Stand, bench: str, places: int) -> list[tuple[int, int]]:
        gap, distance = self.area.gap, self.problem.distance
        enters, leaves = stand.enters, stand.leaves
        found: list[tuple[int, int]] = []
        for on_bench in self._on[bench].values():
            for other, first, end in on_bench:
                if other.enters >= leaves + gap or enters >= other.leaves + gap:
                    continue
                both = other.enters < leaves and enters < other.leaves
                apart = distance(stand, other) if both else 0
                margin = places if apart is None else apart
                found.append((first - margin, end + margin))
        return found

    def seat(self, stand: Stand) -> None:
        """Puts a stand down where it fits best; with fewer places than it needs if need be."""
        self.put(stand, stand.fixed or self._best(stand))

    def _best(self, stand: Stand) -> tuple[Block, ...]:
        rooms = self.rooms(stand)
        if stand.last and _inside(stand, rooms):
            return stand.last
        whole = [room for room in rooms if room.places >= stand.places]
        if whole:
            room = min(whole, key=lambda room: room.places)
            return (Block(room.bench, room.first, stand.places),)
        by_area: dict[str, list[Room]] = {}
        for room in rooms:
            by_area.setdefault(room.growing_area, []).append(room)
        choice = [_filled(stand, some) for some in (*by_area.values(), rooms)]
        return min(choice, key=lambda blocks: stand_cost(self.problem, stand, blocks))


def _inside(stand: Stand, rooms: list[Room]) -> bool:
    if sum(block.places for block in stand.last) != stand.places:
        return False
    return all(
        block.places % stand.tray_places == 0
        and any(r.bench == block.bench and r.first <= block.first and block.end <= r.end
                for r in rooms)
        for block in stand.last
    )  # fmt: skip


def _filled(stand: Stand, rooms: list[Room]) -> tuple[Block, ...]:
    """The largest rooms first, and at last the smallest that takes the rest."""
    left, tray = stand.places, stand.tray_places
    rooms = sorted(rooms, key=lambda room: -room.places)
    blocks: list[Block] = []
    while left and rooms:
        fits = [room for room in rooms if room.places >= left]
        room = fits[-1] if fits else rooms[0]
        rooms.remove(room)
        here = min(left, room.places // tray * tray)
        if here:
            blocks.append(Block(room.bench, room.first, here))
            left -= here
    return tuple(blocks)


Order = Callable[[Stand], tuple[int, ...]]
ORDERS: tuple[Order, ...] = (
    lambda stand: (stand.enters, -stand.places, -stand.leaves),
    lambda stand: (stand.enters, -stand.leaves, -stand.places),
    lambda stand: (-stand.places, stand.enters),
    lambda stand: (-stand.places * stand.periods, stand.enters),
    lambda stand: (-stand.periods, stand.enters),
)


def first_fit(problem: Problem, area: Area) -> Floor:
    """Which is the cheapest map of this area of those that a few plain orders give?"""
    stands = [stand for stand in problem.stands if stand.area == area.key]
    kept = [True, False] if any(stand.last for stand in stands) else [False]
    floors = (_seated(problem, area, stands, order, keep) for keep in kept for order in ORDERS)
    found: list[tuple[int, Floor]] = []
    for floor in floors:
        found.append((floor_cost(floor), floor))
        if found[-1][0] == 0:
            break  # none is cheaper
    return min(found, key=lambda one: one[0])[1]


def floor_cost(floor: Floor) -> int:
    """What do the stands of this area cost?"""
    problem = floor.problem
    return sum(
        stand_cost(problem, stand, floor.places.get(stand.key, ()))
        for stand in problem.stands
        if stand.area == floor.area.key
    )


def _seated(problem: Problem, area: Area, stands: list[Stand], order: Order, keep: bool) -> Floor:
    """Stands by order, those that must stand somewhere first; `keep`: then those of the last map.

    A map that was kept is drawn again that way, whatever came since.
    """
    floor = Floor(problem, area)
    for stand in stands:
        if stand.fixed:
            floor.seat(stand)
    free = [stand for stand in stands if not stand.fixed]
    for stand in sorted(free, key=lambda s: (keep and not s.last, not s.bench, order(s), s.key)):
        floor.seat(stand)
    return floor
