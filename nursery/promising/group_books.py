"""Which reservations may surely be granted, when many are asked for at once?

The books are what one writer knows. What rests on the facts (products, zones, ways) is kept while
the stamps of the facts stand; what a pool or a ship day has left is kept while the version that is
read under its lock is the one that this writer wrote last. So nothing is read again for a group
unless somebody else wrote, and what anybody wrote counts in the next group.

The books say yes and no as `promise.reserve` would, one wish after another; whatever they are not
sure of (an order that is there already, a basket or an address that cannot be read, reservations
that have just run out where plugs are short, plants that may be bought in) is left to `reserve`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlmodel import Session

from nursery.errors import Fault, Refused
from nursery.promising.basket import (
    ANY_DAY,
    NO_CONSENT,
    Basket,
    Consent,
    Destination,
    Limits,
    Parcel,
    Window,
    wrong_reference,
    wrong_window,
)
from nursery.promising.catalogue import Catalogue, catalogue_of
from nursery.promising.desk import Desk
from nursery.promising.facts import Facts, Moment, facts_of, moment_of
from nursery.promising.group_sql import Locked
from nursery.promising.held import Held, out_of_date
from nursery.promising.lapsing import write_lapsed
from nursery.promising.minutes_taken import minutes_on
from nursery.promising.promise_rows import open_way
from nursery.promising.ship_days import Ask, Rules, Way, judge, rules_at
from nursery.promising.supply import supply

_MOST = 4096
"""Baskets and addresses remembered; more are forgotten all at once."""


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


@dataclass(slots=True)
class _Day:
    """Packing minutes of a ship day as they were read at a moment, and given away since."""

    version: int
    at: datetime
    taken: int
    lapses: datetime | None
    short: bool = False

    def has_lapses(self, at: datetime) -> bool:
        """Has a reservation on it run out for a while, or was the clock set back?"""
        return out_of_date(self.at, self.lapses, at, self.short)

    def is_short(self, at: datetime) -> bool:
        """Has one run out at all? From now on that counts at once."""
        self.short = True
        return self.has_lapses(at)


class Books:
    """What one writer knows while it decides. Used by one thread, one transaction at a time."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Nothing of what was read counts any more."""
        self._facts: Facts | None = None
        self._zones: dict[Destination, int | None] = {}
        self._parcels: dict[Basket, _Wanted | None] = {}
        self._ways: dict[tuple[int, str, date, Limits, Window], Way | None] = {}
        self._rules: dict[int, Rules] = {}
        self.forget_what_is_left()

    def forget_what_is_left(self) -> None:
        """What pools and ship days have left was changed by others than the books."""
        self._pools: dict[int, Held] = {}
        self._days: dict[date, _Day] = {}

    def renew(self, session: Session, moment: Moment) -> Facts:
        """What do promises rest on at this moment? What was kept of other facts is forgotten.

        Raises `Fault` where the database holds no nursery yet.
        """
        facts = self._facts
        if facts is None or not facts.hold(moment):
            self.forget()
            _, facts = facts_of(session)
            self._catalogue: Catalogue = catalogue_of(session, facts)
            self._facts = facts
        return facts

    def pools_of(self, codes: Iterable[str]) -> set[int]:
        """From which pools do these products take plugs? Unknown codes are passed over."""
        kinds = self._catalogue.kinds
        known = [kinds[code] for code in codes if code in kinds]
        bought_in = {kind.bought_in.pool_id for kind in known if kind.bought_in is not None}
        return bought_in | {kind.item.pool_id for kind in known}

    def under_locks(self, locked: Locked) -> None:
        """These versions were raised: what somebody else changed before is forgotten."""
        at = locked.moment.at
        for pool, version in locked.pools.items():
            held = self._pools.get(pool)
            if held is not None:
                if held.version != version - 1 or held.has_lapses(at):
                    del self._pools[pool]
                held.version = version
        for when, version in locked.days.items():
            day = self._days.get(when)
            if day is not None:
                if day.version != version - 1 or day.has_lapses(at):
                    del self._days[when]
                day.version = version
        self._locked = locked

    def grant(
        self,
        session: Session,
        wishes: Sequence[Wish],
        there: Collection[str],
        until: datetime,
    ) -> list[Granted | Refused | None]:
        """Which of these are granted, one after another, and which refused? None: ask `reserve`.

        `there` are references that have an order already; what is granted is kept `until` then.
        The pools and days are locked already.
        """
        taken = set(there)
        asked = [(wish, self._zone(session, wish.destination)) for wish in wishes]
        parcels = [self._parcel(session, wish.basket) for wish in wishes]
        self._read_rules(session, {zone for _, zone in asked if zone is not None})
        self._read_pools(session, {pool for p in parcels if p is not None for pool, _ in p.plugs})
        self._read_days(session, {wish.ship_on for wish in wishes})
        found: list[Granted | Refused | None] = []
        for (wish, zone), wanted in zip(asked, parcels, strict=True):
            judged: Way | Refused | None = None
            if (
                zone is not None
                and wanted is not None
                and wish.reference not in taken
                and not wish.consent.bought_in
                and wrong_reference(wish.reference, wish.label_reference) is None
                and wrong_window(wish.window) is None
            ):
                judged = self._sure(wish, zone, wanted) or self._judged(wish, zone, wanted)
            if isinstance(judged, Way) and zone is not None and wanted is not None:
                taken.add(wish.reference)
                self._take(judged, wanted, until)
                found.append(Granted(wish, zone, wanted.parcel, judged))
            else:
                found.append(judged if isinstance(judged, Refused) else None)
        return found

    def _take(self, way: Way, wanted: _Wanted, until: datetime) -> None:
        day = way.leg.ship_on
        for pool, plugs in wanted.plugs:
            self._pools[pool].take(day, plugs, until)
        left = self._days[day]
        left.taken += wanted.parcel.minutes + way.pack_minutes
        left.lapses = min(left.lapses or until, until)

    def _sure(self, wish: Wish, zone_id: int, wanted: _Wanted) -> Way | None:
        """The way, if counted plugs alone will do: judged in a few steps, as most wishes can be."""
        way = self._way(wish, zone_id, wanted.limits)
        if way is None or self._locked.moment.at.timestamp() > way.leg.order_by.timestamp():
            return None
        room = self._rules[zone_id].room_left(wish.ship_on)
        needed = wanted.parcel.minutes + way.pack_minutes
        if needed > room - self._days[wish.ship_on].taken:
            return None
        for pool, plugs in wanted.plugs:
            held = self._pools.get(pool)
            if held is None or not held.counted_has(way, plugs):
                return None
        return way

    def _judged(self, wish: Wish, zone_id: int, wanted: _Wanted) -> Way | Refused | None:
        """The way or the refusal that `reserve` would have now, word for word."""
        rules, at, day = self._rules.get(zone_id), self._locked.moment.at, wish.ship_on
        pools = {pool: self._pools.get(pool) for pool, _ in wanted.plugs}
        if rules is None or not rules.lanes.get(zone_id) or self._facts is None:
            return None
        held = {pool: one for pool, one in pools.items() if one is not None}
        stale = [one.is_short(at) for one in held.values()] + [self._days[day].is_short(at)]
        if len(held) < len(pools) or any(stale):
            return None  # what has run out since they were read is to be read first
        now = replace(rules, now=at, taken={day: self._days[day].taken})
        desk = Desk(self._facts.site, now, {pool: one.now() for pool, one in held.items()})
        try:
            return open_way(desk, zone_id, wanted.parcel, wish.window, day, wish.service)
        except Refused as refused:
            return refused

    def _way(self, wish: Wish, zone_id: int, limits: Limits) -> Way | None:
        """The way of a parcel that takes no minutes; None where there is no open one."""
        key = (zone_id, wish.service, wish.ship_on, limits, wish.window)
        if key not in self._ways:
            rules = self._rules.get(zone_id)
            lanes = rules.lanes.get(zone_id, ()) if rules is not None else ()
            lane = next((each for each in lanes if each.service == wish.service), None)
            ask = Ask(limits, 0, wish.window)
            way = judge(rules, lane, wish.ship_on, ask) if rules and lane is not None else None
            if len(self._ways) >= _MOST:
                self._ways.clear()
            self._ways[key] = way if isinstance(way, Way) and way.is_open else None
        return self._ways[key]

    def _parcel(self, session: Session, basket: Basket) -> _Wanted | None:
        if basket not in self._parcels:
            assert self._facts is not None
            if len(self._parcels) >= _MOST:
                self._parcels.clear()
            try:
                parcel = self._catalogue.parcel(session, self._facts, basket)
                wanted = _Wanted(parcel, parcel.limits, tuple(sorted(parcel.plugs.items())))
            except Refused:
                return None
            self._parcels[basket] = wanted
        return self._parcels[basket]

    def _zone(self, session: Session, destination: Destination) -> int | None:
        """The zone of an address, or None where nothing is sent."""
        if destination not in self._zones:
            if len(self._zones) >= _MOST:
                self._zones.clear()
            try:
                self._zones[destination] = self._catalogue.place(session, destination).zone_id
            except Refused:
                return None
        return self._zones[destination]

    def _read_rules(self, session: Session, zones: set[int]) -> None:
        """What opens and closes the days to these zones, but for the minutes and plugs left."""
        assert self._facts is not None
        for zone in sorted(zones - self._rules.keys()):
            moment = moment_of(session)
            if not self._facts.hold(moment):
                continue  # they have just changed: `reserve` reads them
            try:
                rules = rules_at(session, moment, self._facts, [zone])
            except Fault:
                continue  # no calendar: `reserve` says so
            self._rules[zone] = replace(rules, taken={})

    def _read_pools(self, session: Session, pools: set[int]) -> None:
        missing = pools - self._pools.keys()
        if not missing:
            return
        at = self._locked.moment.at
        for pool, held in supply(session, missing).items():
            # Only what is locked cannot be changed by others before this transaction ends.
            if pool in self._locked.pools:
                self._pools[pool] = Held(held, at)
        # What was read counts as of a moment after `at`, and before now.
        write_lapsed(session, missing, (), max(at, moment_of(session).at))

    def _read_days(self, session: Session, days: set[date]) -> None:
        missing = days - self._days.keys()
        if not missing:
            return
        at = self._locked.moment.at
        for when, (taken, lapses) in minutes_on(session, at, missing).items():
            version = self._locked.days.get(when, 0)
            self._days[when] = _Day(version, at, taken, lapses)
        write_lapsed(session, (), missing, at)
