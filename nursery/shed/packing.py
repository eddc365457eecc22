"""How does each promised parcel travel: in which box, wraps and packs, and how heavy is it?

For the sheets: what `shed.packer` chooses for a parcel's lines and its journey, by promise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from sqlmodel import Session

from nursery.promising.basket import limits_of, strictest
from nursery.promising.hold_words import told_of_cautions
from nursery.promising.holds import Outlook
from nursery.promising.packs import hours_packed, with_packs
from nursery.shed.boxes import PackedBox
from nursery.shed.journey import Journeys, Trip
from nursery.shed.packer import Packed, Packer
from nursery.shed.parcel_packs import ParcelPacks, outlook_of
from nursery.shed.wanted import Wanted, parcels, whole_on
from nursery.shed.wraps import Taken


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
    `cautions` say where a forecast of its way comes near its plants' limits, and how to pack then.
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
    cautions: tuple[str, ...] = ()


_CARE = {
    "heat": "water well the evening before and drain, wrap damp and close, keep it in the shade "
    "until the van comes",
    "frost": "water early the day before, so that leaves are dry, close the box well, keep it "
    "indoors until the van comes",
}
"""How a parcel is packed whose plants come near a limit (common practice, no source)."""


def packings(session: Session, wanted: Sequence[Wanted]) -> dict[int, Packing]:
    """How does each of these parcels travel? By promise id; lines of one promise are one parcel.

    The one place that says what a parcel weighs.
    """
    grouped = parcels(list(wanted))
    journeys = Journeys(session)
    trips = [journeys.trip(lines[0].promise) for lines in grouped]
    outlook = outlook_of(session, trips)
    packer = Packer(session, outlook, journeys)
    found: dict[int, Packing] = {}
    for lines, trip in zip(grouped, trips, strict=True):
        packed = packer.packed([(each.product, each.line.quantity) for each in lines], trip)
        told = _cautions(outlook, lines, packed, trip)
        found[lines[0].promise.id or 0] = replace(_packing(lines, packed), cautions=told)
    return found


def _cautions(
    outlook: Outlook, lines: Sequence[Wanted], packed: Packed, trip: Trip
) -> tuple[str, ...]:
    """Nothing is held by them: they say how to pack."""
    limits = with_packs(strictest([limits_of(each.product) for each in lines]), packed.packs.packs)
    last = trip.arrives_until + timedelta(days=1)
    told = told_of_cautions(outlook, trip.stations, trip.warmer_c, limits, trip.ship_on, last)
    found = [f"{text}: {_CARE[code]}" for code, text in told]
    if packed.packs.opened:  # no forecast says it, and a person sends it all the same
        warned = {code for code, _ in told}
        more = [kind.value for kind in packed.packs.against if kind.value not in warned]
        found += [f"caution, {kind} is likely on the way: {_CARE[kind]}" for kind in more]
    return tuple(found)


def line_wraps(session: Session, ship_day: date) -> list[LineWrap]:
    """Which wrap has each line that is to be picked for this ship day? As the slips list them."""
    found = packings(session, whole_on(session, ship_day, ship_day))
    return [wrap for packing in found.values() for wrap in packing.wraps]


def parcel_packs(session: Session, ship_day: date) -> list[ParcelPacks]:
    """Which packs go into which parcel of this ship day? Every parcel, by order reference."""
    found = packings(session, whole_on(session, ship_day, ship_day))
    packs = [packing.packs for packing in found.values()]
    return sorted(packs, key=lambda one: (one.order_reference, one.promise_id))


def _packing(lines: Sequence[Wanted], packed: Packed) -> Packing:
    promise, reference = lines[0].promise.id or 0, lines[0].order.reference
    packs = packed.packs
    return Packing(
        promise_id=promise,
        order_reference=reference,
        boxes=packed.boxes,
        wraps=tuple(_line_wrap(*each) for each in zip(lines, packed.wraps, strict=True)),
        packs=ParcelPacks(
            packs=packs.packs,
            heat_chance=round(packs.heat_chance, 3),
            frost_chance=round(packs.frost_chance, 3),
            says=packs.says,
            helpless=packs.helpless,
            boxes=packs.boxes,
            opened=packs.opened,
            against=packs.against,
            promise_id=promise,
            order_reference=reference,
        ),
        box_says=packed.box_says,
        minutes=packed.minutes,
        weight_g=packed.weight_g,
        cost_cents=packed.cost_cents,
        postage_cents=packed.postage_cents,
    )


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
