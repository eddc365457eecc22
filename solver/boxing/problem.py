"""What is to be packed, which boxes are there, and what does the carrier ask? The boxing problem.

A box has room in whole units (a size class says how many units a bundle of plugs takes), a weight
of its own and a price. The carrier's price goes by weight bands, box by box. Nobody lifts a box
heavier than `lift` (grams; the nursery's own limit, local rules rule).
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from functools import cached_property

from pydantic import Field

from solver.form import Amount, Pair, Shape, Whole, read_shape
from solver.sizes import refuse_inexact, refuse_large

PROBLEM_FORM = "boxing-problem/1"
PLAN_FORM = "boxing-plan/1"
MOST_BUNDLES = 100_000
"""More bundles in one order are a slip: a plan names each box."""


@dataclass(frozen=True, slots=True)
class Box:
    """A kind of box: room for so many units, its own weight (g), its price."""

    key: str
    room: int
    weight: int = 0
    price: int = 0


@dataclass(frozen=True, slots=True)
class Item:
    """So many bundles of one product, each with its room (units) and weight (g) when wrapped."""

    key: str
    count: int
    room: int
    weight: int = 0


@dataclass(frozen=True, slots=True)
class Band:
    """Up to this weight (g) a box costs so much to send."""

    up_to: int
    price: int


@dataclass(frozen=True)
class Problem:
    """Which boxes does an order take? Raises ValueError, naming the part, if none can hold it.

    So it does for numbers below 0, keys that stand twice and costs too large to add up exactly.
    Without bands weight costs nothing. `lift` is the heaviest that a packed box may be.
    """

    items: tuple[Item, ...]
    boxes: tuple[Box, ...]
    bands: tuple[Band, ...] = ()
    lift: int = 10**9
    name: str = ""

    def __post_init__(self) -> None:
        for what, keys in (
            ("an item's", [item.key for item in self.items]),
            ("a box's", [box.key for box in self.boxes]),
        ):
            if len(set(keys)) < len(keys):
                raise ValueError(f"Boxing problem: {what} key stands twice; rename one")
        for item in self.items:
            if min(item.count, item.room, item.weight) < 0:
                raise ValueError(f"Item {item.key!r}: no number may be below 0, got {item}")
            refuse_large(f"Item {item.key!r}", item.room, item.weight)
        for box in self.boxes:
            if min(box.room, box.weight, box.price) < 0:
                raise ValueError(f"Box {box.key!r}: no number may be below 0, got {box}")
            refuse_large(f"Box {box.key!r}", box.room, box.weight)
        if min((min(band.up_to, band.price) for band in self.bands), default=0) < 0:
            raise ValueError("Boxing problem: no number of a band may be below 0; correct it")
        bundles = sum(item.count for item in self.items)
        if bundles > MOST_BUNDLES:
            rule = f"an order may have {MOST_BUNDLES} bundles, got {bundles}"
            raise ValueError(f"Boxing problem: {rule}; split it")
        dearest = max((box.price for box in self.boxes), default=0)
        dearest += max((band.price for band in self.bands), default=0)
        refuse_inexact("Boxing problem", max(1, bundles) * dearest)
        for item in self.items:
            if item.count and not any(self.fits(item, box) for box in self.boxes):
                rule = f"no box has room for one ({item.room} units, {item.weight} g)"
                raise ValueError(f"Item {item.key!r}: {rule}; add a larger box")

    def fits(self, item: Item, box: Box) -> bool:
        """Can one bundle go into an empty box of this kind?"""
        return item.room <= box.room and item.weight + box.weight <= self.heaviest

    @cached_property
    def heaviest(self) -> int:
        """What may a packed box weigh at most? The lifting limit or the carrier's last band."""
        return min(self.lift, max((band.up_to for band in self.bands), default=self.lift))

    @cached_property
    def box_of(self) -> dict[str, Box]:
        return {box.key: box for box in self.boxes}

    @cached_property
    def item_of(self) -> dict[str, Item]:
        return {item.key: item for item in self.items}

    def postage(self, weight: int) -> int:
        """What does the carrier ask for a box of this weight? 0 where there are no bands."""
        return min((band.price for band in self.bands if weight <= band.up_to), default=0)

    def to_json(self) -> str:
        """The problem as text of the form boxing-problem/1."""
        return json.dumps({"form": PROBLEM_FORM, **asdict(self)}, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Problem:
        """The problem in a text of that form. Raises ValueError for any other."""
        data = read_shape(text, PROBLEM_FORM, "Boxing problem", _ProblemShape)
        return cls(
            items=tuple(Item(each.key, each.count, each.room, each.weight) for each in data.items),
            boxes=tuple(Box(each.key, each.room, each.weight, each.price) for each in data.boxes),
            bands=tuple(Band(each.up_to, each.price) for each in data.bands),
            lift=data.lift,
            name=data.name,
        )


class _BoxShape(Shape):
    key: str
    room: Whole
    weight: Whole = 0
    price: Whole = 0


class _ItemShape(Shape):
    key: str
    count: Whole
    room: Whole
    weight: Whole = 0


class _BandShape(Shape):
    up_to: Whole
    price: Whole


class _ProblemShape(Shape):
    items: list[_ItemShape]
    boxes: list[_BoxShape]
    bands: list[_BandShape] = Field(default_factory=list)
    lift: Whole = 10**9
    name: str = ""


class _PackedShape(Shape):
    box: str
    holds: list[Pair]


class _PlanShape(Shape):
    boxes: list[_PackedShape]
    cost: Amount | None = None
    bound: Amount | None = None


@dataclass(frozen=True, slots=True)
class Packed:
    """One packed box: its kind, and how many bundles of what are in it."""

    box: str
    holds: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Plan:
    """Which boxes, and what goes into which?"""

    boxes: tuple[Packed, ...]
    cost: int | None = None
    bound: int | None = None
    form: str = field(default=PLAN_FORM, repr=False)

    def to_json(self) -> str:
        """The plan as text of the form boxing-plan/1."""
        return json.dumps(asdict(self), separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Plan:
        """The plan in a text of that form. Raises ValueError for any other."""
        data = read_shape(text, PLAN_FORM, "Boxing plan", _PlanShape)
        boxes = tuple(Packed(each.box, tuple(each.holds)) for each in data.boxes)
        return cls(boxes, data.cost, data.bound)
