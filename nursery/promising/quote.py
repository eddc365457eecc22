"""On which days can this basket leave for this address, and when will it arrive?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from sqlmodel import Session

from nursery.availability import Days
from nursery.carrier import Zone
from nursery.database import site
from nursery.errors import Fault, Refusal, Refused
from nursery.growing_area import Site
from nursery.promising.basket import (
    ANY_DAY,
    NO_CONSENT,
    Basket,
    BasketLine,
    Consent,
    Destination,
    Item,
    Parcel,
    Window,
    parcel_for,
    parcel_of,
    zone_of,
)
from nursery.promising.lanes import Lane
from nursery.promising.ship_days import Ask, Reason, Rules, Way, judge, read_rules
from nursery.promising.supply import PoolSupply, supply


@dataclass(frozen=True, slots=True)
class ShipOption:
    """A ship day that can be had now, by which service, and what is promised with it.

    It arrives between `arrives_from` and `arrives_until`; `chances` has the share of parcels that
    arrive on each day. `days_in_box` counts to `arrives_until`. `probability` is the chance that
    the promise is kept (see `promising.ship_days`). `lines` is what leaves that day.
    """

    ship_on: date
    pack_on: date
    arrives_from: date
    arrives_until: date
    chances: tuple[tuple[date, float], ...]
    days_in_box: int
    probability: float
    service: str
    price_cents: int
    lines: tuple[BasketLine, ...]


@dataclass(frozen=True, slots=True)
class ClosedDay:
    """A day on which the whole basket cannot leave, and every reason why."""

    day: date
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Quote:
    """What can be promised now: whole-basket options, best first, and why other days are closed.

    Best is the earliest last day of arrival, then the lower price. `parts` is filled only where
    the customer may be sent parts and they would have something earlier: one option a part, to be
    reserved one after another under the same order reference. `cautions` say what could not be
    judged. Nothing is kept by a quote.
    """

    zone: str
    holiday_region: str
    first_day: date
    last_day: date
    options: tuple[ShipOption, ...]
    closed_days: tuple[ClosedDay, ...]
    parts: tuple[ShipOption, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class OtherOptions(Refusal):
    """A refusal that comes with what can be had instead."""

    options: tuple[ShipOption, ...] = ()


@dataclass(frozen=True)
class Desk:
    """What has to be known, at one moment, to judge parcels: the rules, the pools, the site."""

    site: Site
    rules: Rules
    pools: Mapping[int, PoolSupply]

    def way(self, lane: Lane, day: date, parcel: Parcel, window: Window) -> Way | Sequence[Reason]:
        """May this parcel leave this day by this lane? As `ship_days.judge`, plugs asked as well.

        The way's probability has the safety of the lots in it: 1 for a pool whose counted lots
        can give the plugs, the site's safe quantile for each that needs plugs still growing.
        """
        found = judge(self.rules, lane, day, Ask(parcel.limits, parcel.minutes, window))
        if not isinstance(found, Way):
            return found
        safe = found.probability * self._lots_are_there(found, parcel)
        return replace(
            found, probability=safe, reasons=(*found.reasons, *self._no_plugs(found, parcel))
        )

    def after(self, way: Way, parcel: Parcel) -> Desk:
        """What would be known, were this parcel promised that way?"""
        pools = dict(self.pools)
        for pool, plugs in parcel.plugs.items():
            pools[pool] = pools[pool].after(way.leg.ship_on, plugs)
        day = way.leg.ship_on
        taken = {**self.rules.taken, day: self.rules.taken.get(day, 0) + parcel.minutes}
        return replace(self, pools=pools, rules=replace(self.rules, taken=taken))

    def _no_plugs(self, way: Way, parcel: Parcel) -> Iterator[Reason]:
        for pool, wanted in parcel.plugs.items():
            left = self._left(self.pools[pool].available, pool, way)
            if left < wanted:
                codes = ", ".join(item.code for item in parcel.items if item.pool_id == pool)
                yield Reason(
                    "no_plugs", f"{codes}: {left} plugs left for that day, {wanted} wanted"
                )

    def _lots_are_there(self, way: Way, parcel: Parcel) -> float:
        growing = sum(
            self._left(self.pools[pool].counted_available, pool, way) < wanted
            for pool, wanted in parcel.plugs.items()
            if pool in self.pools
        )
        return float(self.site.safe_quantile**growing)

    def _left(self, by_day: Days, pool: int, way: Way) -> int:
        """Plugs must be there when it is packed, and still be saleable when it leaves."""
        held = self.pools[pool]
        asked = (held.index(way.leg.pack_on), held.index(way.leg.ship_on))
        return min(int(by_day[min(max(0, at), by_day.size - 1)]) for at in asked)


def open_desk(
    session: Session,
    zone_ids: Iterable[int],
    pool_ids: Iterable[int],
    last_day: date | None = None,
    without: int | None = None,
) -> Desk:
    """What has to be known now to judge parcels of these pools to these zones?

    `without` leaves one promise's plugs and minutes out. Raises Refused `no_calendar` where a
    holiday region or the time zone has none.
    """
    try:
        return Desk(
            site=site(session),
            rules=read_rules(session, zone_ids, last_day, without),
            pools=supply(session, pool_ids, without),
        )
    except Fault as fault:
        if fault.thing not in ("Holiday region", "Time zone"):
            raise
        message = f"{fault.thing}: {fault.rule} ({fault.value})"
        raise Refused(Refusal("no_calendar", message, "destination", fault.next)) from fault


def options(
    desk: Desk, zone_id: int, parcel: Parcel, window: Window, days: Sequence[date]
) -> tuple[tuple[ShipOption, ...], tuple[ClosedDay, ...]]:
    """On which of these days can this parcel leave, best first, and why not on the others?"""
    found: list[ShipOption] = []
    closed: list[ClosedDay] = []
    for day in days:
        ways = [desk.way(lane, day, parcel, window) for lane in desk.rules.lanes[zone_id]]
        here = [option_of(w, parcel) for w in ways if isinstance(w, Way) and w.is_open]
        found += here
        if not here:
            said = [why for w in ways for why in (w.reasons if isinstance(w, Way) else w)]
            closed.append(ClosedDay(day, tuple(dict.fromkeys(said))))
    return tuple(sorted(found, key=_best_first)), tuple(closed)


def option_of(way: Way, parcel: Parcel) -> ShipOption:
    """What is offered with this way?"""
    return ShipOption(
        ship_on=way.leg.ship_on,
        pack_on=way.leg.pack_on,
        arrives_from=way.arrives_from,
        arrives_until=way.arrives_until,
        chances=way.leg.chances,
        days_in_box=way.days_in_box,
        probability=way.probability,
        service=way.lane.service,
        price_cents=way.lane.price_cents,
        lines=parcel.lines,
    )


def _best_first(option: ShipOption) -> tuple[date, int, int, date]:
    return option.arrives_until, option.price_cents, option.days_in_box, option.ship_on


def quote(
    session: Session,
    basket: Basket,
    destination: Destination,
    first_day: date | None = None,
    last_day: date | None = None,
    window: Window = ANY_DAY,
    consent: Consent = NO_CONSENT,
) -> Quote:
    """On which days from `first_day` to `last_day` can this basket leave for this address?

    Today and the site's horizon where they are None. Raises Refused: `unknown_product`,
    `bad_quantity`, `no_plants`, `no_postcode`, `no_zone`, `zone_blocked`, `no_service`,
    `no_calendar`, `bad_days`.
    """
    here = site(session)
    parcel = parcel_for(session, here, basket)
    zone = zone_of(session, destination)
    assert zone.id is not None
    desk = open_desk(session, [zone.id], parcel.plugs)
    if not desk.rules.lanes[zone.id]:
        raise Refused(no_service(zone))
    days = _days(desk.rules, first_day, last_day)
    found, closed = options(desk, zone.id, parcel, window, days)
    _refuse_without_calendar(closed, days)
    parts = _parts(desk, zone.id, parcel, window, days) if consent.may_split else ()
    sooner = not found or (parts and min(p.arrives_until for p in parts) < found[0].arrives_until)
    return Quote(
        zone=zone.name,
        holiday_region=zone.holiday_region,
        first_day=days[0],
        last_day=days[-1],
        options=found,
        closed_days=closed,
        parts=parts if sooner else (),
        cautions=desk.rules.cautions,
    )


def no_service(zone: Zone) -> Refusal:
    """Why can nothing be sent to this zone?"""
    message = f"No carrier service has transit times to {zone.name}"
    return Refusal("no_service", message, "destination", "choose another address")


def _days(rules: Rules, first_day: date | None, last_day: date | None) -> list[date]:
    first = max(first_day or rules.today, rules.today)
    last = min(last_day or rules.last_day, rules.last_day)
    if last < first:
        message = f"Ship days are quoted from {rules.today} to {rules.last_day}"
        raise Refused(Refusal("bad_days", message, "first_day", "ask for days in between"))
    return [first + timedelta(days=i) for i in range((last - first).days + 1)]


def _refuse_without_calendar(closed: Sequence[ClosedDay], days: Sequence[date]) -> None:
    unknown = [day for day in closed if any(why.code == "no_calendar" for why in day.reasons)]
    if len(unknown) == len(days):
        text = next(why.text for why in unknown[0].reasons if why.code == "no_calendar")
        raise Refused(Refusal("no_calendar", text, "first_day", "choose days with a calendar"))


def _parts(
    desk: Desk, zone_id: int, parcel: Parcel, window: Window, days: Sequence[date]
) -> tuple[ShipOption, ...]:
    """Each product at its own best, those of one day and service together; none if one has none.

    After each part the desk is asked again, since parts may share a pool and a day.
    """
    groups: dict[tuple[date, str], list[Item]] = {}
    for item in parcel.items:
        best, _ = options(desk, zone_id, parcel_of(desk.site, [item]), window, days)
        if not best:
            return ()
        groups.setdefault((best[0].ship_on, best[0].service), []).append(item)
    if len(groups) < 2:
        return ()
    found: list[ShipOption] = []
    for (day, service), items in sorted(groups.items(), key=lambda group: group[0]):
        part = parcel_of(desk.site, items)
        lane = next(lane for lane in desk.rules.lanes[zone_id] if lane.service == service)
        way = desk.way(lane, day, part, window)
        if not isinstance(way, Way) or not way.is_open:
            return ()
        found.append(option_of(way, part))
        desk = desk.after(way, part)
    return tuple(found)
