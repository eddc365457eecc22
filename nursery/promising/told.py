"""What is a shop told of a promise, as it stands at one moment? Values free of the session."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from nursery.order import Promise, State
from nursery.promising.promise_rows import has_lapsed


@dataclass(frozen=True, slots=True)
class ToldLine:
    """So many of a product in a promise: `plugs` promised, `picked` of them already in hand."""

    code: str
    quantity: int
    plugs: int
    picked: int
    product_id: int


@dataclass(frozen=True, slots=True)
class Told:
    """A promise as the shop sees it: its day, its arrival, where it goes, and what is in it."""

    id: int
    reference: str
    state: State
    ship_on: date
    first_ship_on: date
    pack_on: date
    arrives_from: date
    arrives_until: date
    probability: float
    service: str
    country: str
    postcode: str
    reserved_until: datetime | None
    tracking: str
    repack_by: date | None
    lines: tuple[ToldLine, ...]


def told(promise: Promise, at: datetime) -> Told:
    """How does this promise stand at this moment? A reservation that ran out has lapsed."""
    assert promise.id is not None
    return Told(
        id=promise.id,
        reference=promise.order.reference,
        state=State.LAPSED if has_lapsed(promise, at) else promise.state,
        ship_on=promise.ship_on,
        first_ship_on=promise.first_ship_on,
        pack_on=promise.pack_on,
        arrives_from=promise.arrives_from,
        arrives_until=promise.arrives_until,
        probability=promise.probability,
        service=promise.service.name,
        country=promise.order.country,
        postcode=promise.order.postcode,
        reserved_until=promise.reserved_until,
        tracking=promise.tracking,
        repack_by=promise.repack_by,
        lines=tuple(
            ToldLine(line.product.code, line.quantity, line.plugs, line.picked, line.product_id)
            for line in promise.lines
        ),
    )
