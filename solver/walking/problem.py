"""Where do the picks lie, and what does a trolley hold? The walking problem.

One block of parallel aisles with a cross path at the front and one at the back. Aisles lie at
whole distances `x` along the front; a stop lies in an aisle, at a whole distance `y` from the
front, `depth` is the aisles' length (any one unit, such as decimetres). The packing table stands
at the front. Whoever walks from one aisle into another goes round by the front or by the back.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from functools import cached_property

from solver.form import Amount, Shape, Whole, read_shape
from solver.sizes import refuse_inexact, refuse_large

PROBLEM_FORM = "walking-problem/1"
PLAN_FORM = "walking-plan/1"


@dataclass(frozen=True, slots=True)
class Stop:
    """What is fetched where: `x` and `y` of the aisle's spot, `load` in units of the trolley."""

    key: str
    x: int
    y: int
    load: int = 0


@dataclass(frozen=True)
class Problem:
    """Which stops are walked to from the table, with a trolley of so much room?

    Raises ValueError, naming the stop, where it lies outside the block or no trolley holds it.
    """

    stops: tuple[Stop, ...]
    depth: int
    table: int = 0
    trolley: int = 1_000_000
    name: str = ""

    def __post_init__(self) -> None:
        if self.depth < 0 or self.trolley < 1:
            found = f"depth {self.depth}, trolley {self.trolley}"
            raise ValueError(f"Walking: depth must be >= 0 and the trolley >= 1, got {found}")
        if len(self.stop_of) != len(self.stops):
            raise ValueError("Walking: the key of a stop stands twice; rename one")
        refuse_large("Walking", self.depth, self.table, self.trolley)
        for stop in self.stops:
            refuse_large(f"Stop {stop.key!r}", stop.x)
            if not 0 <= stop.y <= self.depth:
                rule = f"must lie 0 to {self.depth} from the front"
                raise ValueError(f"Stop {stop.key!r}: {rule}, got {stop.y}")
            if not 0 <= stop.load <= self.trolley:
                rule = f"the load must be 0 to {self.trolley}, the trolley's room"
                raise ValueError(f"Stop {stop.key!r}: {rule}, got {stop.load}; split it")
        out_and_back = (2 * (abs(stop.x - self.table) + self.depth) for stop in self.stops)
        refuse_inexact("Walking", sum(out_and_back))

    @cached_property
    def stop_of(self) -> dict[str, Stop]:
        return {stop.key: stop for stop in self.stops}

    def between(self, one: Stop, other: Stop) -> int:
        """How far is it from one stop to the other?"""
        if one.x == other.x:
            return abs(one.y - other.y)
        around = min(one.y + other.y, 2 * self.depth - one.y - other.y)
        return abs(one.x - other.x) + around

    def from_table(self, stop: Stop) -> int:
        """How far is it from the packing table?"""
        return self.between(Stop("", self.table, 0), stop)

    def to_json(self) -> str:
        """The problem as text of the form walking-problem/1."""
        return json.dumps({"form": PROBLEM_FORM, **asdict(self)}, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Problem:
        """The problem in a text of that form. Raises ValueError for any other."""
        data = read_shape(text, PROBLEM_FORM, "Walking problem", _ProblemShape)
        stops = tuple(Stop(stop.key, stop.x, stop.y, stop.load) for stop in data.stops)
        return cls(stops, data.depth, data.table, data.trolley, data.name)


class _StopShape(Shape):
    key: str
    x: Whole
    y: Whole
    load: Whole = 0


class _ProblemShape(Shape):
    stops: list[_StopShape]
    depth: Whole
    table: Whole = 0
    trolley: Whole = 1_000_000
    name: str = ""


class _PlanShape(Shape):
    walks: list[list[str]]
    cost: Amount | None = None
    bound: Amount | None = None


@dataclass(frozen=True)
class Plan:
    """In which order are the stops walked? Each walk starts and ends at the packing table."""

    walks: tuple[tuple[str, ...], ...]
    cost: int | None = None
    bound: int | None = None
    form: str = field(default=PLAN_FORM, repr=False)

    def to_json(self) -> str:
        """The plan as text of the form walking-plan/1."""
        return json.dumps(asdict(self), separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Plan:
        """The plan in a text of that form. Raises ValueError for any other."""
        data = read_shape(text, PLAN_FORM, "Walking plan", _PlanShape)
        return cls(tuple(tuple(walk) for walk in data.walks), data.cost, data.bound)
