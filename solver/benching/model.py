"""Can some stands be seated better while the others stay? A model for CP-SAT.

All benches of an area lie one behind the other on one axis, with so much room between them that
crops which must stand apart are apart on two benches. Places left by the stands that stay are
rooms; every block of a free stand lies in one of them, and the blocks of the free ones overlap
neither each other nor, cleaning included, in time: rectangles in two dimensions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from solver.benching.first_fit import Floor, Room
from solver.benching.problem import Block, Problem, Stand, merged
from solver.late import Late
from solver.run import Limits, Status, run_cp_sat

if TYPE_CHECKING:
    from ortools.sat.python import cp_model
else:
    cp_model = Late("ortools.sat.python.cp_model")

_SETTINGS = {"cp_model_probing_level": 0}
# With probing, OR-Tools 9.15 calls maps optimal that are not: found by the tests on tiny areas,
# where blocks that may be absent have a size that may vary.

MOST_BLOCKS = 4
"""More blocks than this are left to the plain first fit."""

Places = Mapping[str, tuple[Block, ...]]


@dataclass(frozen=True)
class Answer:
    """The blocks of the free stands (None if nothing was found), and whether none are better."""

    places: Places | None
    proven: bool


@dataclass(frozen=True)
class _Part:
    """One possible block: is it there, on how many places, from where on the axis?"""

    there: Any
    size: Any
    start: Any
    end: Any


class _Axis:
    """Where on the axis does each bench begin?"""

    def __init__(self, floor: Floor) -> None:
        widest = max((bench.places for bench in floor.area.benches), default=0)
        rules = floor.problem.apart
        self.apart = widest
        between = max((widest if r.distance is None else r.distance for r in rules), default=0)
        self.base: dict[str, int] = {}
        at = 0
        for bench in floor.area.benches:
            self.base[bench.key] = at
            at += bench.places + between
        self.end = at

    def at(self, block: Block) -> int:
        return self.base[block.bench] + block.first

    def block(self, start: int, places: int) -> Block:
        bench = max((base, key) for key, base in self.base.items() if base <= start)[1]
        return Block(bench, start - self.base[bench], places)


class _Model:
    """The free stands as variables; `floor` holds those that stay."""

    def __init__(self, floor: Floor, free: Sequence[Stand], now: Places, exact: bool) -> None:
        self.floor = floor
        self.problem: Problem = floor.problem
        self.axis = _Axis(floor)
        self.cp = cp_model.CpModel()
        self.free = free
        self.exact = exact
        self.now = now
        self.cost: list[Any] = []
        self.whole = True  # nothing that could be cheaper was left out
        self.parts = {stand.key: self._stand(stand) for stand in free}
        self._no_overlap()
        self._apart()
        self.cp.minimize(sum(self.cost))

    def _stand(self, stand: Stand) -> list[_Part]:
        now = self.now.get(stand.key, ())
        short = sum(block.places for block in now) < stand.places
        trays = stand.places // stand.tray_places
        wanted = trays if self.exact else max(1, len(now) + short)
        most = min(wanted, trays, max(MOST_BLOCKS, len(now)))
        self.whole &= most == trays
        rooms = self.floor.rooms(stand)
        if most == 1 and not short and not self.exact:
            fits = [room for room in rooms if room.places >= stand.places]
            return [self._one_block(stand, fits, now)]
        return self._blocks(stand, rooms, most, now)

    def _one_block(self, stand: Stand, rooms: list[Room], now: tuple[Block, ...]) -> _Part:
        first = [self.axis.base[room.bench] for room in rooms]
        domain = cp_model.Domain.from_intervals(
            [
                [base + room.first, base + room.end - stand.places]
                for base, room in zip(first, rooms, strict=True)
            ]
        )
        start = self.cp.new_int_var_from_domain(domain, "")
        if now:
            self.cp.add_hint(start, self.axis.at(now[0]))
        part = _Part(1, stand.places, start, start + stand.places)
        self._change(stand, [part])
        return part

    def _blocks(
        self, stand: Stand, rooms: list[Room], most: int, now: tuple[Block, ...]
    ) -> list[_Part]:
        cp, tray = self.cp, stand.tray_places
        rooms = [room for room in rooms if room.places >= tray]
        used = {room.growing_area: cp.new_bool_var("") for room in rooms}
        parts: list[_Part] = []
        hints = sorted(now, key=self.axis.at)
        seated: Any = 0
        for at in range(most):
            there = cp.new_bool_var("")
            trays = cp.new_int_var(1, stand.places // tray, "")
            counted = cp.new_int_var(0, stand.places // tray, "")
            start = cp.new_int_var(0, self.axis.end, "")
            end = cp.new_int_var(0, self.axis.end, "")
            part = _Part(there, tray * trays, start, end)
            cp.add(end == start + part.size)
            cp.add(counted == trays).only_enforce_if(there)
            cp.add(counted == 0).only_enforce_if(~there)
            cp.add(trays == 1).only_enforce_if(~there)
            cp.add(start == 0).only_enforce_if(~there)
            lies = [self._lies(part, room, used[room.growing_area]) for room in rooms]
            cp.add(sum(lies) == there)
            if parts:
                cp.add_implication(there, parts[-1].there)
                cp.add(start >= parts[-1].end).only_enforce_if(there)
            parts.append(part)
            its = hints[at] if at < len(hints) else None
            cp.add_hint(there, its is not None)
            cp.add_hint(start, self.axis.at(its) if its else 0)
            cp.add_hint(trays, its.places // tray if its else 1)
            cp.add_hint(counted, its.places // tray if its else 0)
            seated += tray * counted
        cp.add(seated <= stand.places)
        problem = self.problem
        self.cost.append(problem.short_cost * stand.periods * (stand.places - seated))
        more = sum(part.there for part in parts[1:]) + sum(used.values()) - parts[0].there
        self.cost.append(problem.split_cost * more)
        self._change(stand, parts)
        return parts

    def _lies(self, part: _Part, room: Room, used: Any) -> Any:
        lies = self.cp.new_bool_var("")
        base = self.axis.base[room.bench]
        self.cp.add(part.start >= base + room.first).only_enforce_if(lies)
        self.cp.add(part.end <= base + room.end).only_enforce_if(lies)
        self.cp.add_implication(lies, used)
        return lies

    def _change(self, stand: Stand, parts: list[_Part]) -> None:
        before = merged(stand.last)
        if not before or any(block.bench not in self.axis.base for block in before):
            return  # no map can be as the last one was: the change costs the same in each
        last = sorted(before, key=self.axis.at)
        if len(last) > len(parts):
            self.whole = False
            return
        same = self.cp.new_bool_var("")
        for at, part in enumerate(parts):
            if at >= len(last):
                self.cp.add(part.there == 0).only_enforce_if(same)
                continue
            if not isinstance(part.there, int):
                self.cp.add_implication(same, part.there)
            self.cp.add(part.start == self.axis.at(last[at])).only_enforce_if(same)
            self.cp.add(part.size == last[at].places).only_enforce_if(same)
        self.cost.append(self.problem.change_cost * (1 - same))

    def _no_overlap(self) -> None:
        gap = self.floor.area.gap
        across, along = [], []
        for stand in self.free:
            for part in self.parts[stand.key]:
                across.append(
                    self.cp.new_optional_interval_var(
                        part.start, part.size, part.end, part.there, ""
                    )
                )
                long = stand.periods + gap
                along.append(
                    self.cp.new_optional_fixed_size_interval_var(stand.enters, long, part.there, "")
                )
        self.cp.add_no_overlap_2d(across, along)

    def _apart(self) -> None:
        for at, one in enumerate(self.free):
            for other in self.free[at + 1 :]:
                if one.enters >= other.leaves or other.enters >= one.leaves:
                    continue
                distance = self.problem.distance(one, other)
                if distance != 0:
                    self._pair(one, other, self.axis.apart if distance is None else distance)

    def _pair(self, one: Stand, other: Stand, distance: int) -> None:
        for mine in self.parts[one.key]:
            for its in self.parts[other.key]:
                before, after = self.cp.new_bool_var(""), self.cp.new_bool_var("")
                self.cp.add(mine.end + distance <= its.start).only_enforce_if(before)
                self.cp.add(its.end + distance <= mine.start).only_enforce_if(after)
                gone = [~part.there for part in (mine, its) if not isinstance(part.there, int)]
                self.cp.add_bool_or([before, after, *gone])

    def blocks(self, value: Any) -> Places:
        found = {}
        for stand in self.free:
            its = [
                self.axis.block(value(part.start), value(part.size))
                for part in self.parts[stand.key]
                if value(part.there)
            ]
            found[stand.key] = merged(its)
        return found


def reseat(
    floor: Floor, free: Sequence[Stand], now: Places, limits: Limits, exact: bool = False
) -> Answer:
    """Where do the free stands stand best, if all that is on the floor stays?

    `now` are their present blocks, which are a map together with the floor. A stand gets no more
    blocks than it has now, one more if it is short; `exact` lets it have up to `MOST_BLOCKS`.
    """
    model = _Model(floor, free, now, exact)
    answer = run_cp_sat(model.cp, limits, _SETTINGS)
    if not answer.solution:
        return Answer(None, False)
    proven = answer.status is Status.OPTIMAL and model.whole
    return Answer(model.blocks(answer.value), proven)
