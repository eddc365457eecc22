"""How does each parcel travel: in which box, in which wraps, with which packs, how heavy?

The box is part of the choice of the wrap: a tight one keeps moist what would dry in an open one. Of
all kinds of boxes from the most open to the tightest the cheapest wraps and boxes together are
taken whose every line stays moist, at the stated share of weather years, until the parcel is
opened. A product's own wrap is left only where it does not last. Packs go into every box.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session

from nursery.climate import Floats
from nursery.database import site
from nursery.promising.packs import hours_packed
from nursery.shed.boxes import Boxes, PackedBox
from nursery.shed.journey import Journeys
from nursery.shed.parcel_packs import PackChoice, ParcelPacks
from nursery.shed.wanted import Wanted, parcels, whole_on
from nursery.shed.wraps import KnownWrap, Taken, known_wraps, lasting


@dataclass(frozen=True, slots=True)
class LineWrap:
    """The wrap of one line of a parcel; `listed` is that of its product.

    `water_g` is poured per wrap; `hours` is how long it must last, `chance` the share of weather
    years in which it does (None: no weather is known). `says` is for the sheet: why another wrap,
    or that none lasts; "" where all is as listed.
    """

    promise_line_id: int
    order_reference: str
    product_code: str
    wrap: str
    listed: str
    water_g: float
    hours: int
    chance: float | None
    says: str

    @property
    def changed(self) -> bool:
        """Is it another wrap than the product's own?"""
        return self.wrap != self.listed


@dataclass(frozen=True, slots=True)
class Packing:
    """What one parcel travels in. `box_says` is why a tighter box was taken ("": none was).

    `minutes` to pack it, `weight_g` of all its boxes as they are handed over (wraps, water and
    packs with them), `cost_cents` of its boxes, wraps and packs. The carrier asks `postage_cents`.
    """

    promise_id: int
    order_reference: str
    boxes: tuple[PackedBox, ...]
    wraps: tuple[LineWrap, ...]
    packs: ParcelPacks
    box_says: str
    minutes: int
    weight_g: int
    cost_cents: int
    postage_cents: int = 0


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


def packings(session: Session, wanted: Sequence[Wanted]) -> dict[int, Packing]:
    """How does each of these parcels travel? By promise id; lines of one promise are one parcel.

    The one place that says what a parcel weighs.
    """
    grouped = parcels(list(wanted))
    journeys = Journeys(session)
    packs = PackChoice(session, grouped, journeys)
    here, boxes, known = site(session), Boxes(session), known_wraps(session)
    found: dict[int, Packing] = {}
    for lines in grouped:
        chosen = packs.of(lines)
        deficits = journeys.deficits(lines[0].promise)
        ways = _ways(lines, boxes, known, deficits, here.safe_quantile, chosen.each_g)
        found[lines[0].promise.id or 0] = _packing(lines, ways, chosen, here.parcel_minutes)
    return found


def line_wraps(session: Session, ship_day: date) -> list[LineWrap]:
    """Which wrap has each line that is to be picked for this ship day? As the slips list them."""
    found = packings(session, whole_on(session, ship_day, ship_day))
    return [wrap for packing in found.values() for wrap in packing.wraps]


def parcel_packs(session: Session, ship_day: date) -> list[ParcelPacks]:
    """Which packs go into which parcel of this ship day? Every parcel, by order reference."""
    found = packings(session, whole_on(session, ship_day, ship_day))
    packs = [packing.packs for packing in found.values()]
    return sorted(packs, key=lambda one: (one.order_reference, one.promise_id))


def _ways(
    lines: Sequence[Wanted],
    boxes: Boxes,
    known: Sequence[KnownWrap],
    deficits: Floats | None,
    stated: float,
    packs_g: int,
) -> list[_Way]:
    """The ways to pack it, from the most open boxes to the tightest; the first where all is well.

    A tighter box is only looked at where the product's own wraps do not last in the others.
    """
    found: list[_Way] = []
    by = (lines[0].promise.service_id, lines[0].order.zone_id)
    for most_open in boxes.shares or [1.0]:
        wanted = [(each.product, each.line.quantity) for each in lines]
        taken_boxes = boxes.of(wanted, packs_g, most_open, by)
        if found and not taken_boxes:
            continue
        taken = tuple(
            _taken(each, known, deficits, stated, _open(taken_boxes, each.product.code))
            for each in lines
        )
        cost = sum(box.cost_cents for box in taken_boxes) + _wraps_cost(lines, taken)
        found.append(_Way(taken_boxes, taken, cost))
        if found[-1].as_listed:
            break
    return found


def _taken(
    each: Wanted,
    known: Sequence[KnownWrap],
    deficits: Floats | None,
    stated: float,
    share: float,
) -> Taken | None:
    if deficits is None or not known:
        return None
    return lasting(known, each.wrap.name if each.wrap else "", deficits, stated, share)


def _open(boxes: Sequence[PackedBox], code: str) -> float:
    """How much of the vapour gets out of the most open box that holds this product?"""
    holding = [box.vapour_share for box in boxes if any(code == one for one, _ in box.holds)]
    return max(holding, default=1.0)


def _wraps_cost(lines: Sequence[Wanted], taken: Sequence[Taken | None]) -> int:
    return sum(
        each.line.quantity * (one.wrap.cost_cents if one else each.wrap.cost_cents if each.wrap
                              else 0)
        for each, one in zip(lines, taken, strict=True)
    )  # fmt: skip


def _packing(
    lines: Sequence[Wanted], ways: Sequence[_Way], chosen: ParcelPacks, parcel_minutes: float
) -> Packing:
    best = min(
        ways,
        key=lambda way: (
            not way.lasts,
            way.cost_cents + way.postage_cents if way.lasts else 0,
            -min((one.chance for one in way.taken if one), default=1.0),
        ),
    )
    first = lines[0]
    many = max(1, len(best.boxes))
    packs = chosen.in_boxes(many)
    wraps = tuple(_line_wrap(each, one) for each, one in zip(lines, best.taken, strict=True))
    minutes = parcel_minutes + many * sum(pack.minutes for pack in packs.packs)
    water = 0.0
    for each, one in zip(lines, best.taken, strict=True):
        listed = each.wrap
        of_wrap = one.wrap.minutes if one else listed.minutes if listed else 0.0
        minutes += each.line.quantity * (each.product.minutes + of_wrap)
        if one is not None and listed is not None:
            water += each.line.quantity * (one.wrap.water_g - listed.water_g)
    plants = sum(each.line.quantity * each.product.weight_g for each in lines)
    boxed = sum(box.weight_g for box in best.boxes) or plants + packs.weight_g
    return Packing(
        promise_id=first.promise.id or 0,
        order_reference=first.order.reference,
        boxes=best.boxes,
        wraps=wraps,
        packs=packs,
        box_says=_why_this_box(ways[0], best, lines),
        minutes=math.ceil(minutes - 1e-9),
        weight_g=max(0, round(boxed + water)),
        cost_cents=best.cost_cents + packs.cost_cents,
        postage_cents=best.postage_cents,
    )


def _why_this_box(plain: _Way, best: _Way, lines: Sequence[Wanted]) -> str:
    """Why is a tighter box taken than the cheapest? "" where it is the cheapest."""
    names = [box.name for box in plain.boxes]
    if best is plain or names == [box.name for box in best.boxes]:
        return ""
    dry = [
        f"{each.wrap.name} of {each.product.code} would dry out in {1 - one.own_chance:.0%} of"
        " weather years"
        for each, one in zip(lines, plain.taken, strict=True)
        if one is not None and one.says and one.own_chance is not None and each.wrap is not None
    ]
    taken = " + ".join(box.name for box in best.boxes)
    instead = f"{taken} instead of {' + '.join(names)}"
    return f"{instead}: in that {dry[0]}" if dry else instead


def _line_wrap(each: Wanted, taken: Taken | None) -> LineWrap:
    own = each.wrap
    listed = own.name if own is not None else ""
    if taken is None:
        wrap, water, chance = listed, own.water_g if own is not None else 0.0, None
        says = "no weather is known: a person judges the wrap"
    else:
        wrap, water, says = taken.wrap.name, taken.wrap.water_g, taken.says
        chance = round(taken.chance, 3)
    return LineWrap(
        promise_line_id=each.line.id or 0,
        order_reference=each.order.reference,
        product_code=each.product.code,
        wrap=wrap,
        listed=listed,
        water_g=water,
        hours=hours_packed(each.promise.pack_on, each.promise.arrives_until),
        chance=chance,
        says=says,
    )
