"""What does it cost to send a basket by a way: the postage of the boxes it takes, and its packs?

Where the carrier's price goes by weight (Postage: bands for a service and zone), the boxes that the
basket takes are looked for as the pick sheet does (`shed.boxes`), packs weighed with them, and each
is paid by its band. Without bands it is the price of the service. The boxes of a basket are kept
with the facts that they rest on, so they are looked for once. A basket that goes into no box that
is listed, or is heavier than the last band, is stated at the price of the service: somebody has to
see to it anyway.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from sqlmodel import Session, col, func, select

from nursery.carrier import PostageBand
from nursery.order import Product
from nursery.promising.basket import Parcel
from nursery.promising.facts import Facts
from nursery.promising.packs import Pack
from nursery.promising.ship_days import Way
from nursery.shed.boxes import Boxes, boxes_by
from nursery.travelling import TravelPack


class Bundle(NamedTuple):
    """One of a product, as a box takes it."""

    code: str
    plugs: int
    box_units: int
    weight_g: int


@dataclass(frozen=True)
class Postage:
    """The prices of all services, by the facts of one moment. `boxes` is None where none goes by
    weight and there are no packs: then no box need be looked for."""

    boxes: Boxes | None
    bundles: Mapping[int, Bundle]

    def of(self, way: Way, parcel: Parcel) -> int:
        """What does the customer pay for sending this parcel that way? Cents."""
        lane = way.lane
        banded = self.boxes is not None and self.boxes.by_weight((lane.service_id, lane.zone_id))
        if self.boxes is None or not (banded or way.packs):
            return lane.price_cents
        taken = self.boxes.of(
            [(self.bundles[item.product_id], item.quantity) for item in parcel.items],
            sum(pack.weight_g for pack in way.packs),
            way=(lane.service_id, lane.zone_id),
        )
        by_band = sum(box.postage_cents for box in taken) if banded and taken else lane.price_cents
        return by_band + max(1, len(taken)) * sum(pack.cost_cents for pack in way.packs)

    def pricing(self, parcel: Parcel) -> Pricing:
        """The same for many ways of one parcel."""
        return Pricing(self, parcel, {})


NOT_BY_WEIGHT = Postage(None, {})
"""Where nothing is known of weights: the price of the service."""


class Pricing(NamedTuple):
    """What a parcel costs by any way: asked once for each lane and the packs that it needs."""

    postage: Postage
    parcel: Parcel
    known: dict[tuple[int, int, tuple[Pack, ...]], int]

    def of(self, way: Way) -> int:
        """Cents, as `Postage.of`."""
        key = (way.lane.service_id, way.lane.zone_id, way.packs)
        found = self.known.get(key)
        if found is None:
            found = self.known[key] = self.postage.of(way, self.parcel)
        return found


def postage_by(session: Session, facts: Facts) -> Postage:
    """What does sending cost, by these facts?"""
    return facts.part("postage", lambda: _read(session, facts))


def _read(session: Session, facts: Facts) -> Postage:
    rows = (
        session.exec(select(func.count(col(row.id)))).one() for row in (PostageBand, TravelPack)
    )
    if not any(rows):
        return NOT_BY_WEIGHT
    products = session.exec(select(Product)).all()
    bundles = {
        row.id: Bundle(row.code, row.plugs, row.box_units, row.weight_g)
        for row in products
        if row.id is not None
    }
    return Postage(boxes_by(session, facts), bundles)
