"""Which products are there, from which pools, and in which zone is a postcode?

What every quote asks first, kept with the facts (`promising.facts`). Whatever cannot be answered
from here is asked again of the database, which knows how to say why not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session, col, select

from nursery.carrier import Zone, ZonePrefix
from nursery.crop import Crop
from nursery.order import Product
from nursery.promising.basket import (
    LONGEST_POSTCODE,
    Basket,
    Destination,
    Item,
    Parcel,
    limits_of,
    parcel_for,
    parcel_of,
    plain,
    products,
    zone_of,
)
from nursery.promising.borders import read_borders
from nursery.promising.facts import Facts
from nursery.stock import Grade, Pool


@dataclass(frozen=True, slots=True)
class Kind:
    """One of a product, as an item; its plant group and price, to find what may stand in for it."""

    item: Item
    plant_group: str
    grade: Grade
    price_cents: int


@dataclass(frozen=True, slots=True)
class Place:
    """A zone that parcels go to."""

    zone_id: int
    name: str
    holiday_region: str


@dataclass(frozen=True)
class Catalogue:
    """Products that have a pool, by code; zones that are served, by country and plain prefix."""

    kinds: Mapping[str, Kind]
    places: Mapping[str, Mapping[str, Place | None]]

    def parcel(self, session: Session, facts: Facts, basket: Basket) -> Parcel:
        """Which parcel does this basket ask for? Raises Refused as `basket.parcel_for` does."""
        wanted: dict[str, int] = {}
        for line in basket.lines:
            if line.is_plant:
                if line.quantity < 1 or line.code not in self.kinds:
                    return parcel_for(session, facts.site, basket)
                wanted[line.code] = wanted.get(line.code, 0) + line.quantity
        if not wanted:
            return parcel_for(session, facts.site, basket)
        return parcel_of(facts.site, [so_many(self.kinds[c].item, q) for c, q in wanted.items()])

    def place(self, session: Session, destination: Destination) -> Place:
        """In which zone is this address? Raises Refused as `basket.zone_of` does."""
        postcode = plain(destination.postcode)
        prefixes = self.places.get(destination.country.strip().upper(), {})
        good = bool(postcode) and len(destination.postcode.strip()) <= LONGEST_POSTCODE
        for length in range(len(postcode) if good else -1, -1, -1):
            place = prefixes.get(postcode[:length])
            if place is not None:
                return place
            if postcode[:length] in prefixes:
                break
        zone = zone_of(session, destination)
        return Place(zone.id or 0, zone.name, zone.holiday_region)


def so_many(one: Item, quantity: int) -> Item:
    """Which item is so many of this one?"""
    return Item(
        one.product_id,
        one.pool_id,
        one.code,
        quantity,
        quantity * (one.plugs // one.quantity),
        one.limits,
        one.pack_minutes,
    )


def catalogue_of(session: Session, facts: Facts) -> Catalogue:
    """Which products and zones are there, by these facts?"""
    return facts.part("catalogue", lambda: _read(session, facts.today))


def _read(session: Session, day: date) -> Catalogue:
    pools = {(pool.crop_id, pool.grade): pool.id for pool in session.exec(select(Pool))}
    groups = dict(session.exec(select(col(Crop.id), col(Crop.plant_group))).all())
    found = {}
    for row in products(session, col(Product.id).is_not(None)):
        pool = pools.get((row.crop_id, row.grade))
        if pool is not None and row.id is not None:
            found[row.code] = Kind(
                _one(row, row.id, pool), groups[row.crop_id], row.grade, row.price_cents
            )
    return Catalogue(found, _places(session, day))


def _one(row: Product, product_id: int, pool_id: int) -> Item:
    return Item(
        product_id=product_id,
        pool_id=pool_id,
        code=row.code,
        quantity=1,
        plugs=row.plugs,
        limits=limits_of(row),
        pack_minutes=row.minutes + (row.wrap.minutes if row.wrap else 0.0),
    )


def _places(session: Session, day: date) -> dict[str, dict[str, Place | None]]:
    """Every prefix's zone; None for one that is blocked and was not opened by hand."""
    rows = session.exec(select(Zone)).all()
    borders = read_borders(session, [zone.id or 0 for zone in rows], day)
    shut = {id for id, border in borders.items() if not border.openings}
    zones = {
        zone.id: None if zone.id in shut else Place(zone.id, zone.name, zone.holiday_region)
        for zone in rows
        if zone.id is not None
    }
    found: dict[str, dict[str, Place | None]] = {}
    for row in session.exec(select(ZonePrefix)):
        found.setdefault(row.country, {})[plain(row.prefix)] = zones.get(row.zone_id)
    return found
