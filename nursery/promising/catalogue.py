"""Which products are there, from which pools, and in which zone is a postcode?

What every quote asks first, kept with the facts (`promising.facts`). Whatever cannot be answered
from here is asked again of the database, which knows how to say why not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from sqlmodel import Session, col, select

from nursery.carrier import Zone, ZonePrefix
from nursery.order import Product, Substitute, line_notes
from nursery.pools import pools_by_kind
from nursery.promising.basket import (
    LONGEST_POSTCODE,
    MOST_PIECES,
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


@dataclass(frozen=True, slots=True)
class Kind:
    """One of a product, as an item, and what may be sent for it by consent.

    `bought_in` is the same product out of the pool of what is sold as bought in, if there is one;
    `substitutes` are other products, those to be taken first first.
    """

    item: Item
    bought_in: Item | None
    substitutes: tuple[Item, ...] = ()


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
                if not 1 <= line.quantity <= MOST_PIECES or line.code not in self.kinds:
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
        one.notes,
        one.bought_in,
        one.instead_of,
    )


def catalogue_of(session: Session, facts: Facts) -> Catalogue:
    """Which products and zones are there, by these facts?"""
    return facts.part("catalogue", lambda: _read(session, facts.today))


def _read(session: Session, day: date) -> Catalogue:
    pools = pools_by_kind(session)
    rows = {row.id: row for row in products(session, col(Product.id).is_not(None))}
    items, bought_in = {}, {}
    for key, row in rows.items():
        pool = pools.get((row.crop_id, row.grade, False))
        other = pools.get((row.crop_id, row.grade, True))
        if pool is not None and key is not None:
            items[key] = _one(row, key, pool)
            if other is not None:
                notes = line_notes(row, None, bought_in=True)
                bought_in[key] = replace(items[key], pool_id=other, notes=notes, bought_in=True)
    others: dict[int, list[Item]] = {}
    for one in session.exec(select(Substitute).order_by(col(Substitute.place), col(Substitute.id))):
        if one.other_id in items:
            notes = line_notes(rows[one.other_id], rows[one.product_id], bought_in=False)
            stands_in = replace(items[one.other_id], notes=notes, instead_of=one.product_id)
            others.setdefault(one.product_id, []).append(stands_in)
    found = {
        item.code: Kind(item, bought_in.get(key), tuple(others.get(key, ())))
        for key, item in items.items()
    }
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
