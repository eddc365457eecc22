"""What has to be known to judge parcels, and on which days can one of them leave?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from math import prod

from sqlmodel import Session

from nursery.carrier import Zone
from nursery.database import site
from nursery.errors import Fault, Refusal, Refused
from nursery.growing_area import Site
from nursery.promising.basket import BasketLine, Parcel, Window
from nursery.promising.catalogue import Place
from nursery.promising.facts import Facts, Moment, facts_of
from nursery.promising.lanes import Lane
from nursery.promising.postage import NOT_BY_WEIGHT, Postage, postage_by
from nursery.promising.ship_days import Ask, Reason, Rules, Way, judge, read_rules, rules_at
from nursery.promising.supply import PoolSupply, kept_supply, supply


@dataclass(frozen=True, slots=True)
class ShipOption:
    """A ship day that can be had now, by which service, and what is promised with it.

    It arrives between `arrives_from` and `arrives_until`; `chances` has the share of parcels that
    arrive on each day. `days_in_box` counts to `arrives_until`. `probability` is the chance that
    the promise is kept (see `promising.ship_days`). `lines` is what leaves that day. `packs` says
    in words which heat or cold packs go in, without which the day were held; the price has them,
    and the postage of the boxes that the parcel takes (`promising.postage`).
    `notes` say by product what is other than the customer might expect: "bought in", "other
    cultivar". Such an option is made for customers alone who agreed to it.
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
    packs: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ClosedDay:
    """A day on which the whole basket cannot leave, and every reason why."""

    day: date
    reasons: tuple[Reason, ...]


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
    postage: Postage = NOT_BY_WEIGHT

    def way(self, lane: Lane, day: date, parcel: Parcel, window: Window) -> Way | Sequence[Reason]:
        """May this parcel leave this day by this lane? As `ship_days.judge`, plugs asked as well.

        The way's probability has the plugs in it: 1 for a pool whose counted lots can give them,
        else the chance that what grows is ready and enough on that day (`promising.chances`).
        Pools are taken as independent of each other and of the weather on the way; batches of one
        pool share their weather years. A way that falls under the site's floor by this is closed.
        """
        ask = Ask(parcel.limits, parcel.minutes, window)
        return self.judged(lane, day, ask, parcel, parcel.plugs)

    def judged(
        self, lane: Lane, day: date, ask: Ask, parcel: Parcel, wanted: Mapping[int, int]
    ) -> Way | Sequence[Reason]:
        """As `way`, for many days of one parcel: what is asked and which plugs, worked out once."""
        found = judge(self.rules, lane, day, ask)
        if not isinstance(found, Way):
            return found
        lacking: list[Reason] = []
        for pool, plugs in wanted.items():
            left = self.left(pool, found)
            if left < plugs:
                lacking.append(_no_plugs(parcel, pool, left, plugs))
        if lacking:
            return replace(found, reasons=(*found.reasons, *lacking))
        return found if found.reasons else self._with_plugs(found, parcel, wanted)

    def _with_plugs(self, way: Way, parcel: Parcel, wanted: Mapping[int, int]) -> Way:
        """The same with the chance that the plugs are there: closed, if that is too little."""
        pack, ship = way.leg.pack_on, way.leg.ship_on
        chances = {pool: self.pools[pool].chance(pack, ship, n) for pool, n in wanted.items()}
        doubt = uncertain(parcel, way.probability, chances, self.rules.floor)
        sure = way.probability * prod(chances.values())
        return replace(way, probability=sure, reasons=() if doubt is None else (doubt,))

    def after(self, way: Way, parcel: Parcel) -> Desk:
        """What would be known, were this parcel promised that way?"""
        pools = dict(self.pools)
        for pool, plugs in parcel.plugs.items():
            pools[pool] = pools[pool].after(way.leg.ship_on, plugs)
        day = way.leg.ship_on
        minutes = parcel.minutes + way.pack_minutes
        taken = {**self.rules.taken, day: self.rules.taken.get(day, 0) + minutes}
        return replace(self, pools=pools, rules=replace(self.rules, taken=taken))

    def left(self, pool: int, way: Way) -> int:
        """How many plugs of this pool are left for that way?

        They must be there when it is packed, and still be saleable when it leaves.
        """
        return self.pools[pool].left(way.leg.pack_on, way.leg.ship_on)


def _no_plugs(parcel: Parcel, pool: int, left: int, wanted: int) -> Reason:
    codes = ", ".join(item.code for item in parcel.items if item.pool_id == pool)
    return Reason("no_plugs", f"{codes}: {left} plugs left for that day, {wanted} wanted")


def uncertain(
    parcel: Parcel, way_sure: float, chances: Mapping[int, float], floor: float
) -> Reason | None:
    """Is it too little sure to be promised on plugs that still grow? By quotes and by the dispatch.

    `way_sure` is the chance that the way itself is kept, `chances` that each pool has the plugs: 1
    where counted lots can give them, and then nothing is said here.
    """
    sure = way_sure * prod(chances.values())
    if all(chance == 1.0 for chance in chances.values()) or sure >= floor - 1e-9:
        return None
    codes = ", ".join(i.code for i in parcel.items if chances[i.pool_id] < 1)
    text = (
        f"{codes}: plugs still grow, it would be kept with a chance of {sure:.1%}, "
        f"at least {floor:.1%} is asked"
    )
    return Reason("uncertain", text)


def kept_desk(
    session: Session, moment: Moment, facts: Facts, zone_id: int, pool_ids: Iterable[int]
) -> Desk:
    """As `open_desk`, from what this process keeps; for readers that write nothing.

    What it has not kept, or what changed since, is read now.
    """
    with _calendars():
        return Desk(
            site=facts.site,
            rules=rules_at(session, moment, facts, [zone_id]),
            pools=kept_supply(session, moment, facts, pool_ids),
            postage=postage_by(session, facts),
        )


@contextmanager
def _calendars() -> Iterator[None]:
    """A region without holidays is no mistake of the customer's: refused, with what to do."""
    try:
        yield
    except Fault as fault:
        if fault.thing not in ("Holiday region", "Time zone"):
            raise
        message = f"{fault.thing}: {fault.rule} ({fault.value})"
        raise Refused(Refusal("no_calendar", message, "destination", fault.next)) from fault


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
    with _calendars():
        return Desk(
            site=site(session),
            rules=read_rules(session, zone_ids, last_day, without),
            pools=supply(session, pool_ids, without),
            postage=postage_by(session, facts_of(session)[1]),
        )


def options(
    desk: Desk,
    zone_id: int,
    parcel: Parcel,
    window: Window,
    days: Sequence[date],
    most: int | None = None,
) -> tuple[tuple[ShipOption, ...], tuple[ClosedDay, ...]]:
    """On which of these days can this parcel leave, best first, and why not on the others?

    With `most`, no more than so many options, and no day is looked at that cannot bring a better
    one: what leaves on the day by which the others have arrived arrives later.
    """
    found: list[ShipOption] = []
    closed: list[ClosedDay] = []
    ask, wanted, lines = Ask(parcel.limits, parcel.minutes, window), parcel.plugs, parcel.lines
    lanes, pricing = desk.rules.lanes[zone_id], desk.postage.pricing(parcel)
    for day in days:
        if most is not None and sum(each.arrives_until <= day for each in found) >= most:
            break
        said: list[Reason] = []
        had = len(found)
        for lane in lanes:
            way = desk.judged(lane, day, ask, parcel, wanted)
            if not isinstance(way, Way):
                said += way
            elif way.reasons:
                said += way.reasons
            else:
                found.append(_option(way, lines, pricing.of(way)))
        if len(found) == had:
            closed.append(ClosedDay(day, tuple(dict.fromkeys(said))))
    return tuple(sorted(found, key=_best_first)[:most]), tuple(closed)


def option_of(desk: Desk, way: Way, parcel: Parcel) -> ShipOption:
    """What is offered with this way?"""
    price = desk.postage.of(way, parcel)
    return replace(_option(way, parcel.lines, price), notes=parcel.notes)


def _option(way: Way, lines: tuple[BasketLine, ...], price_cents: int) -> ShipOption:
    return ShipOption(
        ship_on=way.leg.ship_on,
        pack_on=way.leg.pack_on,
        arrives_from=way.arrives_from,
        arrives_until=way.arrives_until,
        chances=way.leg.chances,
        days_in_box=way.days_in_box,
        probability=way.probability,
        service=way.lane.service,
        price_cents=price_cents,
        lines=lines,
        packs=tuple(str(pack) for pack in way.packs),
    )


def _best_first(option: ShipOption) -> tuple[date, int, int, date]:
    return option.arrives_until, option.price_cents, option.days_in_box, option.ship_on


def no_service(zone: Zone | Place) -> Refusal:
    """Why can nothing be sent to this zone?"""
    message = f"No carrier service has transit times to {zone.name}"
    return Refusal("no_service", message, "destination", "choose another address")
