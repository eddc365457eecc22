"""What does it take to pack these products for this journey: boxes, wraps, packs, minutes, cents?

The one way in for whoever asks: the pick sheet of a promised parcel, the call-off of materials, and
the dispatch, which weighs one day against another.

The box is part of the choice of the wrap: a tight one keeps moist what would dry in an open one. Of
all kinds of boxes from the most open to the tightest the cheapest wraps and boxes together are
taken whose every line stays moist, at the stated share of weather years, until the parcel is
opened. A product's own wrap is left only where it does not last. Packs go into every box.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sqlmodel import Session

from nursery.climate import Floats
from nursery.database import site
from nursery.order import Product
from nursery.promising.basket import Limits
from nursery.promising.holds import Outlook
from nursery.shed.boxes import Boxed, PackedBox, known_boxes
from nursery.shed.journey import Journeys, Trip
from nursery.shed.parcel_packs import ChosenPacks, PackChoice
from nursery.shed.wraps import Taken, known_wraps, lasting

Goods = Sequence[tuple[Product, int]]
"""So many of each product, line by line."""


class _Wetter(NamedTuple):
    """One of a product in another wrap than is listed, with the water that it holds more."""

    code: str
    plugs: int
    box_units: int
    weight_g: int


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to pack a parcel: its boxes, and the wrap of each line (None: nothing is known)."""

    boxes: tuple[PackedBox, ...]
    taken: tuple[Taken | None, ...]
    cost_cents: int

    @property
    def postage_cents(self) -> int:
        return sum(box.postage_cents for box in self.boxes)

    @property
    def lasts(self) -> bool:
        return all(one is None or one.lasts for one in self.taken)

    @property
    def as_listed(self) -> bool:
        return all(one is None or not one.says for one in self.taken)


@dataclass(frozen=True, slots=True)
class Packed:
    """How goods are packed for a journey. `wraps` has one a line, None where no weather is known.

    `minutes` to pack them, `weight_g` of all boxes as they are handed over (wraps, water and packs
    with them), `cost_cents` of boxes, wraps and packs. `box_says` is why a tighter box was taken
    ("": none was). The carrier asks `postage_cents`.
    """

    boxes: tuple[PackedBox, ...]
    wraps: tuple[Taken | None, ...]
    packs: ChosenPacks
    box_says: str
    minutes: int
    weight_g: int
    cost_cents: int
    postage_cents: int


class Packer:
    """How parcels are packed, by the rows and the weather as they are known now."""

    def __init__(self, session: Session, outlook: Outlook, journeys: Journeys) -> None:
        here = site(session)
        self._parcel_minutes, self._stated = here.parcel_minutes, here.safe_quantile
        self._journeys = journeys
        self._packs = PackChoice(session, outlook)
        self._boxes, self._wraps = known_boxes(session), known_wraps(session)
        self._cheapest_wrap = min((one.cost_cents for one in self._wraps), default=0)
        self._lasting: dict[tuple[Trip, str, float], Taken | None] = {}

    def packs(self, limits: Limits, trip: Trip) -> ChosenPacks:
        """Which packs go into each box of a parcel whose plants stand this, on this way?"""
        return self._packs.of(limits, trip)

    def wrap_for(self, own: str, trip: Trip, share: float) -> Taken | None:
        """What do products with this wrap of their own ("": none) travel in, in such a box?

        One that lets this share of the vapour out. None where no weather is known, or no wrap: they
        travel as listed.
        """
        key = (trip, own, share)
        if key not in self._lasting:
            deficits = self._journeys.deficits(trip) if self._wraps else None
            self._lasting[key] = self._taken(own, deficits, share)
        return self._lasting[key]

    def _taken(self, own: str, deficits: Floats | None, share: float) -> Taken | None:
        if deficits is None:
            return None
        return lasting(self._wraps, own, deficits, self._stated, share)

    @property
    def shares(self) -> list[float]:
        """Which shares of the vapour do the kinds of boxes let out? The most open first."""
        return self._boxes.shares or [1.0]

    def fares(self, own: str, trip: Trip) -> tuple[object, ...]:
        """How do products with this wrap of their own ("": none) fare on this way?

        () where they travel as listed in any box. Two ways of which the same is said ask for the
        same wraps and boxes.
        """
        first = self.wrap_for(own, trip, self.shares[0])
        if first is None or not first.says:
            return ()
        taken = [self.wrap_for(own, trip, share) for share in self.shares]
        fared = tuple((one.wrap.name, one.lasts, bool(one.says)) for one in taken if one)
        # where none lasts the surest box is taken, and that is the way's own
        return fared if all(lasts for _, lasts, _ in fared) else (*fared, trip)

    def as_listed(self, goods: Goods, trip: Trip) -> int:
        """What would boxes, postage and the wraps that are listed cost, without packs? Cents."""
        boxes = self._boxes.of(goods, 0, self.shares[0], (trip.service_id, trip.zone_id))
        taken = [None] * len(goods)
        return sum(one.cost_cents + one.postage_cents for one in boxes) + _wraps_cost(goods, taken)

    def packed(self, goods: Goods, trip: Trip) -> Packed:
        """How are these goods packed for this journey?"""
        chosen = self.packs(standing(goods), trip)
        ways = self._ways(goods, trip, chosen.each_g)
        best = min(
            [way for way in ways if way.boxes] or ways,
            key=lambda way: (
                not way.lasts,
                way.cost_cents + way.postage_cents if way.lasts else 0,
                -min((one.chance for one in way.taken if one), default=1.0),
            ),
        )
        packs = chosen.in_boxes(max(1, len(best.boxes)))
        minutes = self._parcel_minutes + packs.minutes
        for (product, many), one in zip(goods, best.taken, strict=True):
            listed = product.wrap
            of_wrap = one.wrap.minutes if one else listed.minutes if listed else 0.0
            minutes += many * (product.minutes + of_wrap)
        plants = sum(many * one.weight_g for one, many in _wetter(goods, best.taken))
        boxed = sum(box.weight_g for box in best.boxes) or plants + packs.weight_g
        return Packed(
            boxes=best.boxes,
            wraps=best.taken,
            packs=packs,
            box_says=_why_this_box(ways[0], best, goods),
            minutes=math.ceil(minutes - 1e-9),
            weight_g=boxed,
            cost_cents=best.cost_cents + packs.cost_cents,
            postage_cents=best.postage_cents,
        )

    def _ways(self, goods: Goods, trip: Trip, packs_g: int) -> list[_Way]:
        """From the most open boxes to the tightest; the last is the first where all is well.

        A tighter box is only looked at where the products' own wraps do not last in the others.
        """
        found: list[_Way] = []
        by = (trip.service_id, trip.zone_id)
        for most_open in self.shares:
            if found and self._never_cheaper(goods, packs_g, most_open, by, found):
                continue
            boxes = self._boxes.of(goods, packs_g, most_open, by)
            if found and not boxes:
                continue
            taken = self._wraps_in(boxes, goods, trip)
            wetter = _wetter(goods, taken)
            if wetter != list(goods):  # what is wetter is heavier, and may want another box
                boxes = self._boxes.of(wetter, packs_g, most_open, by)
                taken = self._wraps_in(boxes, goods, trip)
                if found and not boxes:
                    continue
            cost = sum(box.cost_cents for box in boxes) + _wraps_cost(goods, taken)
            found.append(_Way(boxes, taken, cost))
            if found[-1].as_listed:
                break
        return found

    def _wraps_in(
        self, boxes: Sequence[PackedBox], goods: Goods, trip: Trip
    ) -> tuple[Taken | None, ...]:
        """What do these travel in, line by line, in the boxes that they are in?"""
        return tuple(
            self.wrap_for(own_wrap(product), trip, _open(boxes, product.code))
            for product, _ in goods
        )

    def _never_cheaper(
        self,
        goods: Goods,
        packs_g: int,
        most_open: float,
        by: tuple[int, int],
        found: Sequence[_Way],
    ) -> bool:
        """Need tighter boxes not be looked for, as a way that lasts costs less than they can?"""
        lasting_ways = [way.cost_cents + way.postage_cents for way in found if way.lasts]
        if not lasting_ways:
            return False
        wraps = self._cheapest_wrap * sum(many for _, many in goods)
        return min(lasting_ways) <= self._boxes.least(goods, packs_g, most_open, by) + wraps


def standing(goods: Goods) -> Limits:
    """What do the most delicate of these plants stand?"""
    return Limits(
        heat_c=min(product.heat_limit_c for product, _ in goods),
        frost_c=max(product.frost_limit_c for product, _ in goods),
        days_in_box=min(product.max_days_in_box for product, _ in goods),
    )


def _wetter(goods: Goods, taken: Sequence[Taken | None]) -> list[tuple[Boxed, int]]:
    """The goods as they are weighed: whole grams of water more where the wrap is a wetter one."""
    found: list[tuple[Boxed, int]] = []
    for (product, many), one in zip(goods, taken, strict=True):
        listed = product.wrap
        more = 0 if one is None or listed is None else math.ceil(one.wrap.water_g - listed.water_g)
        if more:
            grams = max(0, product.weight_g + more)
            found.append((_Wetter(product.code, product.plugs, product.box_units, grams), many))
        else:
            found.append((product, many))
    return found


def own_wrap(product: Product) -> str:
    """Which wrap is listed for this product? Its name, "" where none is."""
    return product.wrap.name if product.wrap is not None else ""


def _open(boxes: Sequence[PackedBox], code: str) -> float:
    """How much of the vapour gets out of the most open box that holds this product?"""
    holding = [box.vapour_share for box in boxes if any(code == one for one, _ in box.holds)]
    return max(holding, default=1.0)


def _wraps_cost(goods: Goods, taken: Sequence[Taken | None]) -> int:
    total = 0
    for (product, many), one in zip(goods, taken, strict=True):
        if one is not None:
            total += many * one.wrap.cost_cents
        elif product.wrap is not None:
            total += many * product.wrap.cost_cents
    return total


def _why_this_box(plain: _Way, best: _Way, goods: Goods) -> str:
    """Why is a tighter box taken than the cheapest? "" where it is the cheapest."""
    names = [box.name for box in plain.boxes]
    if best is plain or names == [box.name for box in best.boxes]:
        return ""
    if not names:
        return "in an open box it would need a wetter wrap, and be too heavy for the carrier"
    dry = [
        f"{product.wrap.name} of {product.code} would dry out in {1 - one.own_chance:.0%} of"
        " weather years"
        for (product, _), one in zip(goods, plain.taken, strict=True)
        if one is not None and one.says and one.own_chance is not None and product.wrap is not None
    ]
    taken = " + ".join(box.name for box in best.boxes)
    instead = f"{taken} instead of {' + '.join(names)}"
    return f"{instead}: in that {dry[0]}" if dry else instead
