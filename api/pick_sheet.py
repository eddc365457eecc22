"""The pick sheet, as the API writes it: picks in walking order, a slip per order."""

from collections.abc import Sequence
from datetime import date

import strawberry

from api.ids import global_id
from api.kept import kept
from api.mirror import mirror
from nursery.shed import boxes, parcels, slips
from nursery.shed import pick_sheet as sheets
from nursery.shed.parcels import Step
from nursery.stock import Grade


@kept
@strawberry.type(description="How many plugs of a pick go to which order.")
class PickPart:
    """`promise_line_id` goes into recordPick and reportShort."""

    promise_line_id: strawberry.ID
    order_reference: str
    plugs: int


@kept
@strawberry.type(description="One stop of the walk: so many plugs of one product out of one lot.")
class Pick:
    """`trays` says the same as `plugs` in the lot's trays; water of each wrap in grams.

    `changed_from` is the product's own wrap where it travels in another.
    `notes` say what is other than ordered: bought in, another cultivar or plant.
    """

    stop: int
    area: str
    bench: str
    batch_code: str
    lot_id: strawberry.ID
    crop: str
    product_code: str
    product: str
    plugs: int
    trays: str
    grade: Grade
    wrap: str
    wrap_water_g: float
    passport_code: str
    last_sale_on: date
    parts: list[PickPart]
    walk: int = 1
    changed_from: str = ""
    notes: list[str] = strawberry.field(default_factory=list)


@kept
@strawberry.type(description="A batch that plugs of a slip come from.")
class SlipBatch:
    """By the batch's code, which is the traceability code."""

    batch_code: str
    plugs: int


@kept
@strawberry.type(description="One product in a parcel.")
class SlipLine:
    """How it travels and where its plugs come from; `wrap_says` why not in its own wrap.

    Of its `plugs` so many are `picked` already.
    """

    promise_line_id: strawberry.ID
    product_code: str
    product: str
    quantity: int
    plugs: int
    wrap: str
    wrap_water_g: float
    batches: list[SlipBatch]
    changed_from: str = ""
    wrap_says: str = ""
    notes: list[str] = strawberry.field(default_factory=list)
    picked: int = 0


@kept
@strawberry.type(description="So many of a product in a box.")
class InBox:
    """By the product's code."""

    product_code: str
    quantity: int


@kept
@strawberry.type(description="A box to take, and what goes into it.")
class PackedBox:
    """`weight_g` when packed; local rules on lifting rule. `up_to_g` is its band of postage, 0
    where there are none."""

    name: str
    weight_g: int
    holds: list[InBox]
    postage_cents: int = 0
    up_to_g: int = 0


@kept
@strawberry.type(description="What goes into one parcel. Name and address stay with the shop.")
class Slip:
    """Order reference and postcode match it with the shop's label.

    `packs` go in; `minded` is what to mind besides. The weight is that of all boxes as they are
    handed over, the cost that of boxes, wraps and packs. `reship`: for which order's claim, why.
    """

    promise_id: strawberry.ID
    order_reference: str
    country: str
    postcode: str
    service: str
    pack_on: date
    minutes: int
    lines: list[SlipLine]
    boxes: list[PackedBox] = strawberry.field(default_factory=list)
    packs: list[str] = strawberry.field(default_factory=list)
    minded: list[str] = strawberry.field(default_factory=list)
    weight_g: int = 0
    packing_cents: int = 0
    postage_cents: int = 0
    reship: str = ""


kept(strawberry.enum(Step, name="ParcelStep", description="What is done next with a parcel."))


@kept
@strawberry.type(description="A parcel of a ship day, and what is done next with it.")
class DayParcel:
    """`checked_by`: the second person who checked it; `repack_by`: until when its wrap is good."""

    slip: Slip
    next: Step
    checked_by: str = ""
    tracking: str = ""
    repack_by: date | None = None


@kept
@strawberry.type(description="All parcels of a ship day, until and after the carrier has them.")
class DayParcels:
    """By order reference."""

    ship_day: date
    parcels: list[DayParcel]


@kept
@strawberry.type(description="Plugs that no lot in the books can give to a line.")
class MissingPlugs:
    """Tell the lead before the round starts."""

    promise_line_id: strawberry.ID
    order_reference: str
    product_code: str
    plugs: int


@kept
@strawberry.type(description="One round with the trolley, from the packing table and back.")
class Walk:
    """`metres` is nothing where the benches' places are not known."""

    number: int
    stops: int
    metres: float | None
    trays: float


@kept
@strawberry.type(description="What is picked for a ship day.")
class PickSheet:
    """`number` counts the prints: 0 until it is printed."""

    ship_day: date
    number: int
    plugs: int
    picks: list[Pick]
    slips: list[Slip]
    missing: list[MissingPlugs]
    overdue: list[str]
    to_repack: list[str]
    walks: list[Walk] = strawberry.field(default_factory=list)


def pick_sheet(found: sheets.PickSheet) -> PickSheet:
    """The API's form of a pick sheet."""
    return PickSheet(
        ship_day=found.ship_day,
        number=found.number,
        plugs=found.plugs,
        picks=[_pick(each) for each in found.picks],
        slips=[_slip(each) for each in found.slips],
        missing=[
            MissingPlugs(
                promise_line_id=global_id("PromiseLine", each.promise_line_id),
                order_reference=each.order_reference,
                product_code=each.product_code,
                plugs=each.plugs,
            )
            for each in found.missing
        ],
        overdue=list(found.overdue),
        to_repack=list(found.to_repack),
        walks=[mirror(Walk, each) for each in found.walks],
    )


def day_parcels(ship_day: date, found: Sequence[parcels.Parcel]) -> DayParcels:
    """The API's form of a ship day's parcels."""
    return DayParcels(
        ship_day=ship_day,
        parcels=[
            DayParcel(
                slip=_slip(one.slip),
                next=one.next,
                checked_by=one.checked_by,
                tracking=one.tracking,
                repack_by=one.repack_by,
            )
            for one in found
        ],
    )


def _pick(found: sheets.Pick) -> Pick:
    return Pick(
        stop=found.stop,
        walk=found.walk,
        changed_from=found.changed_from,
        area=found.area,
        bench=found.bench,
        batch_code=found.batch_code,
        lot_id=global_id("Lot", found.lot_id),
        crop=found.crop,
        product_code=found.product_code,
        product=found.product,
        plugs=found.plugs,
        trays=found.trays,
        grade=found.grade,
        wrap=found.wrap,
        wrap_water_g=found.wrap_water_g,
        passport_code=found.passport_code,
        last_sale_on=found.last_sale_on,
        parts=[
            PickPart(
                promise_line_id=global_id("PromiseLine", part.promise_line_id),
                order_reference=part.order_reference,
                plugs=part.plugs,
            )
            for part in found.parts
        ],
        notes=list(found.notes),
    )


def _slip(found: slips.Slip) -> Slip:
    return Slip(
        promise_id=global_id("Promise", found.promise_id),
        order_reference=found.order_reference,
        country=found.country,
        postcode=found.postcode,
        service=found.service,
        pack_on=found.pack_on,
        minutes=found.minutes,
        lines=[_slip_line(line) for line in found.lines],
        boxes=[_box(box) for box in found.boxes],
        packs=list(found.packs),
        minded=list(found.minded),
        weight_g=found.weight_g,
        packing_cents=found.packing_cents,
        postage_cents=found.postage_cents,
        reship=found.reship,
    )


def _slip_line(found: slips.SlipLine) -> SlipLine:
    return SlipLine(
        promise_line_id=global_id("PromiseLine", found.promise_line_id),
        product_code=found.product_code,
        product=found.product,
        quantity=found.quantity,
        plugs=found.plugs,
        wrap=found.wrap,
        wrap_water_g=found.wrap_water_g,
        batches=[SlipBatch(batch_code=code, plugs=plugs) for code, plugs in found.batches],
        changed_from=found.changed_from,
        wrap_says=found.wrap_says,
        notes=list(found.notes),
        picked=found.picked,
    )


def _box(found: boxes.PackedBox) -> PackedBox:
    holds = [InBox(product_code=code, quantity=many) for code, many in found.holds]
    return PackedBox(
        name=found.name,
        weight_g=found.weight_g,
        holds=holds,
        postage_cents=found.postage_cents,
        up_to_g=found.up_to_g,
    )
