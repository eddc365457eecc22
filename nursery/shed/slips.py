"""What goes into one parcel, whole: what is picked already and what is still to be picked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.promising.kept_plugs import reship_words
from nursery.shed.boxes import PackedBox
from nursery.shed.packing import LineWrap, Packing
from nursery.shed.wanted import Wanted, parcels
from nursery.stock import Moved, Movement

Batches = Mapping[int, Sequence[tuple[str, int]]]
"""By promise line (id): batches by code, and the plugs of each."""


@dataclass(frozen=True, slots=True)
class SlipLine:
    """One product in a parcel, and the batches that its plugs come from (code, plugs).

    Of `plugs` so many are `picked` already. `wrap_says` is why it has another wrap than its own,
    or what else to mind of it.
    """

    promise_line_id: int
    product_code: str
    product: str
    quantity: int
    plugs: int
    wrap: str
    wrap_water_g: float
    batches: tuple[tuple[str, int], ...]
    changed_from: str = ""
    wrap_says: str = ""
    notes: tuple[str, ...] = ()
    picked: int = 0


@dataclass(frozen=True, slots=True)
class Slip:
    """What goes into one parcel? The shop prints name and address; this matches its label.

    `packs` says which heat or cold packs go in, `minded` what else to mind of the parcel; the
    weight is that of all its boxes when they are handed over, the cost that of boxes, wraps and
    packs; the carrier asks `postage_cents`. `reship` says for which order's claim it goes, and why;
    "" for any other parcel.
    """

    promise_id: int
    order_reference: str
    country: str
    postcode: str
    service: str
    pack_on: date
    minutes: int
    lines: tuple[SlipLine, ...]
    boxes: tuple[PackedBox, ...] = ()
    packs: tuple[str, ...] = ()
    minded: tuple[str, ...] = ()
    weight_g: int = 0
    packing_cents: int = 0
    postage_cents: int = 0
    reship: str = ""


def slips_of(
    session: Session, whole: Sequence[Wanted], packed: Mapping[int, Packing], to_pick: Batches
) -> tuple[Slip, ...]:
    """What goes into each of these parcels? By order reference.

    `whole` has all lines of each parcel, those that are picked already too; `packed` is how each
    promise (id) travels, `to_pick` what is still to come from where.
    """
    picked = picked_batches(session, [each.line.id or 0 for each in whole])
    reships = reship_words(session, packed)
    slips = (
        replace(
            _slip(lines, packed[lines[0].promise.id or 0], picked, to_pick),
            reship=reships.get(lines[0].promise.id or 0, ""),
        )
        for lines in parcels(list(whole))
    )
    return tuple(sorted(slips, key=lambda slip: (slip.order_reference, slip.promise_id)))


def picked_batches(session: Session, lines: Sequence[int]) -> dict[int, list[tuple[str, int]]]:
    """Which batches, by code, gave how many plugs to these promise lines (ids)? By the ledger."""
    total = func.sum(col(Movement.plugs))
    query = (
        select(Movement.promise_line_id, Batch.code, -total)
        .join(Batch, col(Movement.batch_id) == col(Batch.id))
        .where(Movement.kind == Moved.PICKED, col(Movement.promise_line_id).in_(lines))
        .group_by(col(Movement.promise_line_id), col(Batch.code))
        .having(total != 0)
        .order_by(func.min(col(Movement.id)))
    )
    found: dict[int, list[tuple[str, int]]] = {}
    for line, code, plugs in session.exec(query):
        found.setdefault(line or 0, []).append((code, int(plugs)))
    return found


def _slip(lines: Sequence[Wanted], packing: Packing, picked: Batches, to_pick: Batches) -> Slip:
    first, packs = lines[0], packing.packs
    helpless = (packs.says,) if packs.helpless else ()
    box = (packing.box_says,) if packing.box_says else ()
    return Slip(
        promise_id=first.promise.id or 0,
        order_reference=first.order.reference,
        country=first.order.country,
        postcode=first.order.postcode,
        service=first.promise.service.name,
        pack_on=first.promise.pack_on,
        minutes=packing.minutes,
        lines=tuple(
            _slip_line(each, wrap, picked, to_pick)
            for each, wrap in zip(lines, packing.wraps, strict=True)
        ),
        boxes=packing.boxes,
        packs=tuple(pack.words(packs.boxes) for pack in packs.packs),
        minded=(*helpless, *box, *packing.cautions),
        weight_g=packing.weight_g,
        packing_cents=packing.cost_cents,
        postage_cents=packing.postage_cents,
    )


def _slip_line(each: Wanted, wrap: LineWrap, picked: Batches, to_pick: Batches) -> SlipLine:
    line = each.line.id or 0
    batches: dict[str, int] = {}
    for code, plugs in (*picked.get(line, ()), *to_pick.get(line, ())):
        batches[code] = batches.get(code, 0) + plugs
    return SlipLine(
        promise_line_id=line,
        product_code=each.product.code,
        product=each.product.name,
        quantity=each.line.quantity,
        plugs=each.line.plugs,
        picked=each.line.picked,
        wrap=wrap.wrap,
        wrap_water_g=wrap.water_g,
        batches=tuple(batches.items()),
        changed_from=wrap.listed if wrap.changed else "",
        wrap_says=wrap.says,
        notes=each.line.notes,
    )
