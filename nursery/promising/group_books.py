"""Which reservations may surely be granted, when many are asked for at once?

The books are read once for a whole group, under the group's locks, and kept up in memory while it
is decided. They say yes only to what `promise.reserve` would grant with the same answer; whatever
they are not sure of (a day that looks closed, plugs that look short, an order that is there
already) is left to `reserve` itself, which knows the exact refusal.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlmodel import Session, col, select

from nursery.calendars import local_date
from nursery.carrier import Zone, ZonePrefix
from nursery.database import site
from nursery.errors import Fault, Refused
from nursery.growing_area import Site
from nursery.order import CustomerOrder, Product
from nursery.promising.basket import (
    ANY_DAY,
    NO_CONSENT,
    Basket,
    Consent,
    Destination,
    Item,
    Limits,
    Parcel,
    Window,
    best_prefix,
    items_of,
    parcel_of,
    plain,
    products,
)
from nursery.promising.held import Held
from nursery.promising.ship_days import Ask, Rules, Way, judge, read_rules
from nursery.promising.supply import supply

_GOOD_FOR = timedelta(seconds=1)
"""How long the books may be used while nobody else wrote: forecasts age, reservations lapse."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What a customer wants reserved: the arguments of `promise.reserve`."""

    reference: str
    basket: Basket
    destination: Destination
    ship_on: date
    service: str
    actor: str
    window: Window = ANY_DAY
    consent: Consent = NO_CONSENT
    label_reference: str = ""

    @property
    def codes(self) -> tuple[str, ...]:
        """Which products does it ask for?"""
        return tuple(line.code for line in self.basket.lines if line.is_plant)


@dataclass(frozen=True, slots=True)
class Granted:
    """A wish that may be written as it stands."""

    wish: Wish
    zone_id: int
    parcel: Parcel
    way: Way


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A parcel with what is asked of it again and again."""

    parcel: Parcel
    limits: Limits
    plugs: tuple[tuple[int, int], ...]


class Books:
    """What one writer knows while it decides. Used by one thread, one transaction at a time."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Nothing of what was read counts any more."""
        self._stamp: object = None
        self._at: datetime | None = None
        self._items: dict[str, Item | None] = {}
        self._prefixes: dict[str, list[ZonePrefix]] = {}
        self._zones: dict[int, Zone] = {}
        self._pools: dict[int, Held] = {}
        self._parcels: dict[Basket, _Wanted | None] = {}
        self._ways: dict[tuple[int, str, date, Limits, Window], Way | None] = {}
        self._rules: Rules | None = None
        self._taken: dict[date, int] = {}

    def renew(self, session: Session, at: datetime) -> Site:
        """Whose books are these, now that this transaction has begun? What is old is forgotten.

        SQLite tells a connection whether another one has written; where that cannot be asked,
        everything is read again for each group.
        """
        stamp = _stamp(session)
        fresh = self._at is not None and timedelta(0) <= at - self._at < _GOOD_FOR
        if stamp is None or stamp != self._stamp or not fresh or self._another_day(at):
            self.forget()
            self._at, self._stamp, self._site = at, stamp, site(session)
            session.expunge(self._site)  # it is kept longer than this session
        self._now = at
        return self._site

    def pools_of(self, session: Session, codes: Iterable[str]) -> set[int]:
        """From which pools do these products take plugs? Unknown codes are passed over."""
        wanted = set(codes)
        self._read_items(session, wanted)
        found = (self._items.get(code) for code in wanted)
        return {item.pool_id for item in found if item is not None}

    def grant(self, session: Session, wishes: Sequence[Wish]) -> list[Granted | None]:
        """Which of these may surely be granted, one after another? None: ask `reserve`.

        Raises nothing for a wish that cannot be had. The pools and days are locked already.
        """
        there = _orders(session, [wish.reference for wish in wishes])
        zones = [self._zone(session, wish.destination) for wish in wishes]
        parcels = [self._parcel(session, wish.basket) for wish in wishes]
        self._read_rules(session, {zone.id for zone in zones if zone is not None and zone.id})
        self._read_pools(session, {pool for p in parcels if p is not None for pool, _ in p.plugs})
        found: list[Granted | None] = []
        for wish, zone, wanted in zip(wishes, zones, parcels, strict=True):
            granted = None
            if zone is not None and wanted is not None and wish.reference not in there:
                granted = self._granted(wish, zone.id or 0, wanted)
            if granted is not None:
                there.add(wish.reference)
            found.append(granted)
        return found

    def _another_day(self, at: datetime) -> bool:
        zone = self._site.time_zone
        return self._at is None or local_date(at, zone) != local_date(self._at, zone)

    def _granted(self, wish: Wish, zone_id: int, wanted: _Wanted) -> Granted | None:
        way = self._way(wish, zone_id, wanted.limits)
        if way is None or self._now.timestamp() > way.leg.order_by.timestamp():
            return None
        assert self._rules is not None
        if wanted.parcel.minutes > self._rules.room_left(wish.ship_on):
            return None
        if not all(self._pools[pool].counted_has(way, plugs) for pool, plugs in wanted.plugs):
            return None
        for pool, plugs in wanted.plugs:
            self._pools[pool].take(wish.ship_on, plugs)
        self._taken[wish.ship_on] = self._taken.get(wish.ship_on, 0) + wanted.parcel.minutes
        return Granted(wish, zone_id, wanted.parcel, way)

    def _way(self, wish: Wish, zone_id: int, limits: Limits) -> Way | None:
        """The way of a parcel that takes no minutes; None where there is no open one."""
        key = (zone_id, wish.service, wish.ship_on, limits, wish.window)
        if key not in self._ways:
            assert self._rules is not None
            lanes = self._rules.lanes.get(zone_id, ())
            lane = next((each for each in lanes if each.service == wish.service), None)
            ask = Ask(limits, 0, wish.window)
            way = judge(self._rules, lane, wish.ship_on, ask) if lane is not None else None
            self._ways[key] = way if isinstance(way, Way) and way.is_open else None
        return self._ways[key]

    def _parcel(self, session: Session, basket: Basket) -> _Wanted | None:
        if basket not in self._parcels:
            lines = [line for line in basket.lines if line.is_plant]
            self._read_items(session, {line.code for line in lines})
            wanted: dict[str, int] = {}
            for line in lines:
                wanted[line.code] = wanted.get(line.code, 0) + line.quantity
            known = {code: self._items[code] for code in wanted}
            odd = any(line.quantity < 1 for line in lines) or not lines
            self._parcels[basket] = None if odd else self._wanted(known, wanted)
        return self._parcels[basket]

    def _wanted(self, known: dict[str, Item | None], wanted: dict[str, int]) -> _Wanted | None:
        items = []
        for code, item in known.items():
            if item is None:
                return None
            quantity = wanted[code]
            items.append(replace(item, quantity=quantity, plugs=quantity * item.plugs))
        parcel = parcel_of(self._site, items)
        return _Wanted(parcel, parcel.limits, tuple(sorted(parcel.plugs.items())))

    def _read_items(self, session: Session, codes: Collection[str]) -> None:
        missing = [code for code in codes if code not in self._items]
        if not missing:
            return
        found = products(session, col(Product.code).in_(missing))
        self._items.update(dict.fromkeys(missing))
        self._items.update({item.code: item for item in _items(session, found)})

    def _zone(self, session: Session, destination: Destination) -> Zone | None:
        """The zone of an address, or None where nothing is sent."""
        country, postcode = destination.country.strip().upper(), plain(destination.postcode)
        if country not in self._prefixes:
            rows = session.exec(select(ZonePrefix).where(ZonePrefix.country == country))
            self._prefixes[country] = list(rows)
        best = best_prefix(self._prefixes[country], postcode) if postcode else None
        if best is None:
            return None
        if best.zone_id not in self._zones:
            zone = session.get(Zone, best.zone_id)
            if zone is None or zone.blocked:
                return None
            session.expunge(zone)
            self._zones[best.zone_id] = zone
        return self._zones[best.zone_id]

    def _read_rules(self, session: Session, zones: set[int]) -> None:
        known = set() if self._rules is None else set(self._rules.lanes)
        if zones <= known and self._rules is not None:
            return
        try:
            rules = read_rules(session, zones | known)
        except Fault:  # no calendar: `reserve` says so
            self._rules = self._rules or read_rules(session, ())
            return
        self._taken, self._ways = dict(rules.taken), {}
        self._rules = replace(rules, taken=self._taken)

    def _read_pools(self, session: Session, pools: set[int]) -> None:
        missing = pools - set(self._pools)
        if missing:
            self._pools |= {pool: Held(held) for pool, held in supply(session, missing).items()}


def _stamp(session: Session) -> object:
    """What changes whenever another connection has written? None where nothing tells."""
    if session.get_bind().dialect.name != "sqlite":
        return None
    return session.connection().exec_driver_sql("PRAGMA data_version").scalar_one()


def _orders(session: Session, references: Sequence[str]) -> set[str]:
    rows = select(CustomerOrder.reference).where(col(CustomerOrder.reference).in_(references))
    return set(session.exec(rows))


def _items(session: Session, found: Sequence[Product]) -> list[Item]:
    """One of each product; without those that have no pool yet."""
    try:
        return list(items_of(session, [(product, 1) for product in found]))
    except Refused:
        if len(found) == 1:
            return []
        return [item for each in found for item in _items(session, [each])]
