"""Which trays want which places when, and on which benches may they stand? The bench problem.

Periods (days, say) are 0..periods-1 and every number is whole. A stand is a batch in one stage:
it enters in one period, leaves in another, and does not move in between. The JSON forms are
`bench-problem/1` and `bench-plan/1`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Annotated

from pydantic import Field

from solver.form import Amount, Shape, Whole, read_shape
from solver.sizes import refuse_inexact, refuse_large

PROBLEM_FORM = "bench-problem/1"
PLAN_FORM = "bench-plan/1"
MOST_PERIODS = 100_000
"""More periods are a slip: what is short is told period by period."""


@dataclass(frozen=True, slots=True, order=True)
class Block:
    """Which places of a bench, side by side, from `first` on (counted from 0)?"""

    bench: str
    first: int
    places: int

    @property
    def end(self) -> int:
        """The first place after the block."""
        return self.first + self.places


@dataclass(frozen=True, slots=True)
class Bench:
    """How many places in a row has a bench, and when is it out of use?

    `closed` are periods (from, until), the second not included. `growing_area` is the house or
    frame in which it stands: a batch is better not spread over two of them.
    """

    key: str
    places: int
    growing_area: str = ""
    closed: tuple[tuple[int, int], ...] = ()

    def open_for(self, enters: int, leaves: int) -> bool:
        """Is it in use in all periods from `enters` until before `leaves`?"""
        return not any(first < leaves and enters < until for first, until in self.closed)


@dataclass(frozen=True, slots=True)
class Area:
    """Which benches take the same stages, and for how many periods is a place cleaned?

    `gap` periods lie between the last one of a batch on a place and the first of the next.
    """

    key: str
    benches: tuple[Bench, ...]
    gap: int = 0


@dataclass(frozen=True, slots=True)
class Stand:
    """Which batch stands in which area, from `enters` until before `leaves`, on how many places?

    `tray_places` is what one tray takes: no tray is split between two blocks. `bench` binds it to
    one bench, `fixed` to its very blocks (it stands there now); `last` is where the last map had
    it, which costs a little to change.
    """

    key: str
    area: str
    crop: str
    places: int
    enters: int
    leaves: int
    tray_places: int = 1
    bench: str | None = None
    fixed: tuple[Block, ...] = ()
    last: tuple[Block, ...] = ()

    def __post_init__(self) -> None:
        if self.places < 1 or self.tray_places < 1 or self.places % self.tray_places:
            found = f"{self.places} places, {self.tray_places} a tray"
            raise ValueError(f"Stand {self.key!r}: places must be whole trays, got {found}")
        if not 0 <= self.enters < self.leaves:
            found = f"enters {self.enters}, leaves {self.leaves}"
            raise ValueError(f"Stand {self.key!r}: must leave after it enters, got {found}")
        if any(block.first < 0 or block.places < 1 for block in self.last):
            rule = "blocks of the last map have places"
            raise ValueError(f"Stand {self.key!r}: {rule}, got {self.last}; take them out")
        if self.fixed and sum(block.places for block in self.fixed) > self.places:
            raise ValueError(f"Stand {self.key!r}: it is fixed on more places than it takes")

    @property
    def periods(self) -> int:
        """For how many periods does it stand?"""
        return self.leaves - self.enters


@dataclass(frozen=True, slots=True)
class Apart:
    """Which crops share a disease, so that batches of two of them stand apart?

    At least `distance` places lie between them on one bench, or they stand on two benches; always
    on two benches where `distance` is None. Batches of the same crop may stand side by side.
    """

    crops: tuple[str, ...]
    distance: int | None = None


@dataclass(frozen=True)
class Problem:
    """Where does every batch stand? Raises ValueError, naming the part, if it cannot be read.

    A place short costs `short_cost` a period; a block beyond the first of a stand, and a growing
    area beyond its first, `split_cost` each; another position than the last map's `change_cost`.
    """

    periods: int
    areas: tuple[Area, ...]
    stands: tuple[Stand, ...]
    apart: tuple[Apart, ...] = ()
    short_cost: int = 1_000
    split_cost: int = 1_000
    change_cost: int = 100
    name: str = ""

    def __post_init__(self) -> None:
        benches = [bench.key for area in self.areas for bench in area.benches]
        for what, keys in (
            ("an area's", [area.key for area in self.areas]),
            ("a bench's", benches),
            ("a stand's", [stand.key for stand in self.stands]),
        ):
            if len(set(keys)) != len(keys):
                raise ValueError(f"Bench problem: {what} key stands twice; rename one")
        if not 0 <= self.periods <= MOST_PERIODS:
            found = f"got {self.periods}; plan fewer"
            raise ValueError(f"Bench problem: periods must be in 0..{MOST_PERIODS}, {found}")
        if min(self.short_cost, self.split_cost, self.change_cost, 0) < 0:
            raise ValueError("Bench problem: costs must be >= 0; correct them")
        if any(area.gap < 0 or min((b.places for b in area.benches), default=0) < 0
               for area in self.areas):  # fmt: skip
            raise ValueError("Bench problem: places and gaps must be >= 0; correct them")
        self._check_areas()
        for stand in self.stands:
            self._check(stand)
        self._check_fixed()
        # A stand has as many blocks as places at the most, each in an area of its own.
        split = sum(2 * stand.places for stand in self.stands) * self.split_cost
        short = sum(stand.places * stand.periods for stand in self.stands) * self.short_cost
        refuse_inexact("Bench problem", split + short + len(self.stands) * self.change_cost)

    def _check_areas(self) -> None:
        for area in self.areas:
            refuse_large(f"Area {area.key!r}", area.gap, *(bench.places for bench in area.benches))
            for bench in area.benches:
                for first, until in bench.closed:
                    if until <= first:
                        rule = "out of use in one period at least"
                        found = f"got {first} until before {until}; mend it"
                        raise ValueError(f"Bench {bench.key!r}: {rule}, {found}")
        if any(rule.distance is not None and rule.distance < 0 for rule in self.apart):
            raise ValueError("Bench problem: a distance apart must be >= 0; correct it")
        refuse_large("Crops apart", *(rule.distance or 0 for rule in self.apart))

    def _check_fixed(self) -> None:
        fixed = sorted(
            (block, stand.enters, stand.leaves, stand.key)
            for stand in self.stands
            for block in stand.fixed
        )
        for at, (block, enters, leaves, key) in enumerate(fixed):
            for its, first, until, other in fixed[at + 1 :]:
                if its.bench != block.bench or its.first >= block.end:
                    break
                if first < leaves and enters < until:
                    raise ValueError(
                        f"Stands {key!r} and {other!r} are fixed on the same places of bench "
                        f"{block.bench!r}; bind one to the bench alone"
                    )

    def _check(self, stand: Stand) -> None:
        if stand.area not in self.area_of:
            raise ValueError(f"Stand {stand.key!r}: there is no area {stand.area!r}")
        if stand.leaves > self.periods:
            raise ValueError(f"Stand {stand.key!r}: must leave by period {self.periods}")
        named = {stand.bench, *(block.bench for block in stand.fixed)} - {None}
        there = {bench.key for bench in self.area_of[stand.area].benches}
        if not named <= there:
            raise ValueError(f"Stand {stand.key!r}: bench {sorted(map(str, named - there))[0]!r} "
                             f"is not in area {stand.area!r}")  # fmt: skip
        places = {bench.key: bench.places for bench in self.area_of[stand.area].benches}
        for block in stand.fixed:
            if not 0 <= block.first < block.end <= places[block.bench]:
                raise ValueError(
                    f"Stand {stand.key!r}: it is fixed on places {block.first} to {block.end} of "
                    f"bench {block.bench!r}, which has {places[block.bench]}"
                )

    @cached_property
    def area_of(self) -> Mapping[str, Area]:
        return {area.key: area for area in self.areas}

    @cached_property
    def stand_of(self) -> Mapping[str, Stand]:
        return {stand.key: stand for stand in self.stands}

    @cached_property
    def _bans(self) -> Mapping[str, Mapping[str, int | None]]:
        found: dict[str, dict[str, int | None]] = {}
        for rule in self.apart:
            for one in rule.crops:
                others = found.setdefault(one, {})
                for other in rule.crops:
                    if other == one:
                        continue
                    known = others.get(other, 0)
                    strict = known is None or rule.distance is None
                    others[other] = None if strict else max(known or 0, rule.distance or 0)
        return found

    def distance(self, one: Stand, other: Stand) -> int | None:
        """How many places must lie between these two on one bench? None: not on one bench."""
        return self._bans.get(one.crop, {}).get(other.crop, 0)

    def to_json(self) -> str:
        """The problem as text of the form bench-problem/1."""
        data = {"form": PROBLEM_FORM, **asdict(self)}
        return json.dumps(data, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Problem:
        """The problem in a text of the form bench-problem/1. Raises ValueError for any other."""
        data = read_shape(text, PROBLEM_FORM, "Bench problem", _ProblemShape)
        return cls(
            periods=data.periods,
            areas=tuple(
                Area(area.key, tuple(_bench(bench) for bench in area.benches), area.gap)
                for area in data.areas
            ),
            stands=tuple(_stand(stand) for stand in data.stands),
            apart=tuple(Apart(tuple(rule.crops), rule.distance) for rule in data.apart),
            short_cost=data.short_cost,
            split_cost=data.split_cost,
            change_cost=data.change_cost,
            name=data.name,
        )


class _BlockShape(Shape):
    bench: str
    first: Whole
    places: Whole


_Periods = Annotated[list[Whole], Field(min_length=2, max_length=2)]
"""From which period until before which?"""


class _BenchShape(Shape):
    key: str
    places: Whole
    growing_area: str = ""
    closed: list[_Periods] = Field(default_factory=list)


class _AreaShape(Shape):
    key: str
    benches: list[_BenchShape]
    gap: Whole = 0


class _StandShape(Shape):
    key: str
    area: str
    crop: str
    places: Whole
    enters: Whole
    leaves: Whole
    tray_places: Whole = 1
    bench: str | None = None
    fixed: list[_BlockShape] = Field(default_factory=list)
    last: list[_BlockShape] = Field(default_factory=list)


class _ApartShape(Shape):
    crops: list[str]
    distance: Whole | None = None


class _ProblemShape(Shape):
    periods: Whole
    areas: list[_AreaShape]
    stands: list[_StandShape]
    apart: list[_ApartShape] = Field(default_factory=list)
    short_cost: Whole = 1_000
    split_cost: Whole = 1_000
    change_cost: Whole = 100
    name: str = ""


class _PlanShape(Shape):
    places: dict[str, list[_BlockShape]]
    cost: Amount | None = None
    bound: Amount | None = None


def _bench(data: _BenchShape) -> Bench:
    closed = tuple((first, until) for first, until in data.closed)
    return Bench(data.key, data.places, data.growing_area, closed)


def _stand(data: _StandShape) -> Stand:
    return Stand(
        data.key,
        data.area,
        data.crop,
        data.places,
        data.enters,
        data.leaves,
        data.tray_places,
        data.bench,
        _blocks(data.fixed),
        _blocks(data.last),
    )


def _blocks(data: Iterable[_BlockShape]) -> tuple[Block, ...]:
    return tuple(Block(block.bench, block.first, block.places) for block in data)


def merged(blocks: Iterable[Block]) -> tuple[Block, ...]:
    """The same places with blocks that touch made one, in order of bench and place."""
    found: list[Block] = []
    for block in sorted(blocks):
        before = found[-1] if found else None
        if before is not None and before.bench == block.bench and before.end == block.first:
            found[-1] = Block(block.bench, before.first, before.places + block.places)
        else:
            found.append(block)
    return tuple(found)


@dataclass(frozen=True)
class Plan:
    """Which blocks has each stand? One that has too few places, or is not named, is short."""

    places: Mapping[str, tuple[Block, ...]]
    cost: int | None = None
    bound: int | None = None

    def to_json(self) -> str:
        """The plan as text of the form bench-plan/1."""
        places = {key: [asdict(block) for block in blocks] for key, blocks in self.places.items()}
        data = {"form": PLAN_FORM, "places": places, "cost": self.cost, "bound": self.bound}
        return json.dumps(data, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Plan:
        """The plan in a text of the form bench-plan/1. Raises ValueError for any other."""
        data = read_shape(text, PLAN_FORM, "Bench plan", _PlanShape)
        places = {key: _blocks(blocks) for key, blocks in data.places.items()}
        return cls(places, data.cost, data.bound)
