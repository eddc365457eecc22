"""Which orders wait, on which days may each leave, and which plugs are there? For the dispatch.

The database is turned into a `solver.dispatching.Problem`: days count from today, plugs are what
may be promised (`promising.supply`), open days are what calendars, transit, heat and frost and the
customer's window leave open (`promising.ship_days`). Orders without a promise take any open day.
A confirmed promise keeps its day or is moved. Reserved and part-picked ones stay where they are;
parcels that are picked or gone only take up their packing minutes. An order whose customer agreed
to parts may be looked at line by line: then each line finds its own day.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.database import today
from nursery.dispatching.day_needs import DayNeeds, Needs
from nursery.dispatching.dispatch_rows import Raw, read_rows
from nursery.dispatching.open_days import OpenDays
from nursery.dispatching.stand_ins import Choices, filled
from nursery.order import (
    Promise,
    State,
)
from nursery.planned import PlanKind, PlanVersion
from nursery.promising.basket import Item, Parcel
from nursery.promising.plants import Sends, sends_of
from nursery.promising.promise_rows import window_of
from nursery.promising.quote import Desk, open_desk
from nursery.promising.ship_days import Reason
from nursery.promising.supply import PoolSupply
from solver.dispatching.problem import Line, Lot, Order, Problem
from solver.dispatching.problem import Pool as ProblemPool

NEAR_DAYS = 60
"""How far the dispatch looks ahead, where promises do not reach further. A setting."""

GONE = (State.PICKED, State.HANDED_OVER, State.DELIVERED, State.NOT_COLLECTED)
_FIXED_WEIGHT = 100
"""What stays where it is must not make room for another order."""
_AFTER_LAST = 14
"""Days after the last promise that are looked at: a promise there may have to move."""
_OVERTIME = 4
"""One minute of overtime for so many of a day's own is agreed (an estimate)."""


@dataclass(frozen=True, slots=True)
class Costs:
    """What does a bad day cost, in cents? Estimates: settings of the nursery.

    `overload` is a packing minute above a day's, `beyond` one above a quarter more than them: some
    overtime is agreed, twice a day's work is not done. Late and unshipped are a day and an order,
    each times the order's weight; `unshipped` comes on top of the latest day there is, so that late
    is always better than never. What is promised weighs `promised` times what is only wished. A
    line that is not as ordered weighs like `stand_in_days` days late of its order (`stand_ins`).
    """

    overload: int = 60
    beyond: int = 400
    late: int = 80
    unshipped: int = 2500
    re_date: int = 150
    age: int = 1
    promised: int = 3
    stand_in_days: int = 5


@dataclass(frozen=True)
class Waiting:
    """One order of the dispatch, or a part of it: what it wants, where it stands, how it leaves.

    `services` names the carrier service of each open day; `closed` why the others are not open.
    `fixed` ones stay where they are and nothing is written about them. `part` is the product of a
    part. One that `may_split` has more lines than one, and its customer agreed to parts. `needs`
    says what packing takes on each open day, by the weather as it is known now. `changed` ones are
    tried with other plants than the books have for them; `worse_days` says how much what is not as
    ordered weighs, in days late.
    """

    key: str
    reference: str
    part: str
    may_split: bool
    order_id: int
    zone_id: int
    promise_id: int | None
    parcel: Parcel
    weight: int
    ship_on: date | None
    first_on: date | None
    service: str
    services: Mapping[date, str]
    closed: Mapping[date, tuple[Reason, ...]]
    fixed: bool
    needs: DayNeeds
    changed: bool = False
    worse_days: int = 0

    @property
    def sends(self) -> Sends:
        """Which of its lines are not as ordered?"""
        return sends_of(self.parcel.items)


@dataclass(frozen=True)
class Facts:
    """Everything a dispatch is made from, read at one moment.

    `never` has the orders that cannot even be asked about, with the reason; `accepted` is the
    version of the dispatch that was accepted last, 0 where there is none; `parts` the orders (by
    reference) that are looked at line by line; `doubted` days that are closed to orders without a
    promise since plugs that grow are not sure enough by then (`dispatch_sure`), by key, and why;
    `choices` what was asked to go in place of what is ordered, and `withdrawn` says of which of
    it the customer or the nursery wants nothing (any more).
    """

    first_day: date
    days: int
    problem: Problem
    waiting: Mapping[str, Waiting]
    never: tuple[tuple[str, str], ...]
    desk: Desk
    accepted: int
    parts: frozenset[str]
    doubted: Mapping[str, Mapping[date, Reason]] = field(default_factory=dict)
    choices: Choices = field(default_factory=dict)
    withdrawn: tuple[str, ...] = ()

    @property
    def fingerprint(self) -> str:
        """Which digest does the data have?"""
        return hashlib.sha256(self.problem.to_json().encode()).hexdigest()

    def day(self, index: int) -> date:
        """Which date is this day of the problem?"""
        return self.first_day + timedelta(days=index)

    def index(self, day: date) -> int:
        """Which day of the problem is this date?"""
        return (day - self.first_day).days


def most_on_top(orders: Iterable[Order], late: int, re_date: int, days: int) -> int:
    """What may shipping cost at the most, so that not to ship is made dearer than the last day?

    Late by all `days`, moved, on the day with the dearest packs. Cents.
    """
    packed = (cents for order in orders for cents in order.day_cost.values())
    return late * days + re_date + max(packed, default=0)


def read_facts(
    session: Session,
    near_days: int = NEAR_DAYS,
    costs: Costs | None = None,
    parts: frozenset[str] = frozenset(),
    choices: Choices | None = None,
) -> Facts:
    """What is the dispatch made from now? Raises Refused where no calendar is known.

    `parts` are the references of orders to be looked at line by line, `choices` the ways in which
    an order's parcel is to be filled: one for each that is named in the answer.
    """
    first = today(session)
    raw, never = read_rows(session, parts, first)
    far = max([each.promise.ship_on for each in raw if each.promise] + [first])
    days = max(near_days, (far - first).days + 1 + _AFTER_LAST)
    prices, choices = costs or Costs(), choices or {}
    had = {pool for each in raw for pool in each.parcel.plugs}
    raw, withdrawn = filled(session, raw, choices, prices.stand_in_days)
    zones = {each.order.zone_id for each in raw}
    pools = had | {pool for each in raw for pool in each.parcel.plugs}
    desk = open_desk(session, zones, pools, first + timedelta(days=days - 1))
    raw, desk = _apart(raw, desk)
    judged, needs = OpenDays(desk.rules, first, days), Needs(session, desk.rules)
    waiting = {each.key: _waiting(each, judged, needs) for each in raw}
    orders = tuple(_order(each, first, prices) for each in waiting.values())
    minutes = _minutes(session, judged)
    problem = Problem(
        days=days,
        pools=tuple(_pool(held, judged) for _, held in sorted(desk.pools.items())),
        orders=orders,
        minutes=minutes,
        overload_cost=prices.overload,
        overtime=tuple(many // _OVERTIME for many in minutes) if prices.beyond else (),
        beyond_cost=prices.beyond,
        late_cost=prices.late,
        unshipped_cost=prices.unshipped + most_on_top(orders, prices.late, prices.re_date, days),
        re_date_cost=prices.re_date,
        age_cost=prices.age,
        name=f"dispatch of {first}",
    )
    return Facts(
        first_day=first,
        days=days,
        problem=problem,
        waiting=waiting,
        never=never,
        desk=desk,
        accepted=_accepted(session),
        parts=parts,
        choices=choices,
        withdrawn=withdrawn,
    )


def _apart(raw: list[Raw], desk: Desk) -> tuple[list[Raw], Desk]:
    """Plugs that are kept for a reship stand in a pool of their own, which only it draws on.

    Its number is the line's, below nothing: no row has it. So the reship moves within the days of
    its fresh lots, and no other order is given them.
    """
    kept = {
        promise: [each for each in held.kept if each.promise_id == promise]
        for held in desk.pools.values()
        for promise in {each.promise_id for each in held.kept}
    }
    if not kept:
        return raw, desk
    pools = dict(desk.pools)
    for held in desk.pools.values():
        for line in {each.line_id for each in held.kept}:
            pools[-line] = held.only([k for k in held.kept if k.line_id == line], -line)
    found = [
        each._replace(parcel=_split(each.promise, each.parcel, pools))
        if each.promise is not None and each.promise.id in kept
        else each
        for each in raw
    ]
    return found, replace(desk, pools=pools)


def _split(promise: Promise, parcel: Parcel, pools: Mapping[int, PoolSupply]) -> Parcel:
    """The parcel, each item's kept plugs taken out of its pool and put into their own."""
    line_of = {line.product_id: line.id or 0 for line in promise.lines}
    items: list[Item] = []
    for item in parcel.items:
        own = -line_of[item.product_id]
        kept = int(pools[own].plugs.sum()) if own in pools else 0
        if kept:
            items.append(replace(item, pool_id=own, plugs=kept))
        if kept < item.plugs or not kept:
            items.append(replace(item, plugs=item.plugs - kept))
    return replace(parcel, items=tuple(items))


def pool_key(pool_id: int) -> str:
    """What is this pool called in the problem?"""
    return f"pool-{pool_id}"


def _accepted(session: Session) -> int:
    query = select(func.max(PlanVersion.version)).where(
        PlanVersion.kind == PlanKind.DISPATCH, col(PlanVersion.accepted_at).is_not(None)
    )
    return int(session.exec(query).one() or 0)


def _waiting(raw: Raw, judged: OpenDays, needs: Needs) -> Waiting:
    order, promise = raw.order, raw.promise
    kept = promise.ship_on if promise else None
    service = promise.service.name if promise else ""
    limits = raw.parcel.limits
    ways, closed = judged.of(order.zone_id, limits, window_of(order), kept, service)
    # What stays where it is takes the minutes that it was given.
    takes = (
        DayNeeds(raw.parcel.minutes, {})
        if raw.fixed
        else needs.of(raw.goods, limits, raw.parcel.minutes, ways)
    )
    return Waiting(
        key=raw.key,
        reference=order.reference,
        part=raw.part,
        may_split=order.may_split and promise is None and len(raw.parcel.items) > 1,
        order_id=order.id or 0,
        zone_id=order.zone_id,
        promise_id=promise.id if promise else None,
        parcel=raw.parcel,
        weight=order.weight,
        ship_on=kept,
        first_on=promise.first_ship_on if promise else None,
        service=service,
        services={day: way.lane.service for day, way in ways.items()},
        closed=closed,
        fixed=raw.fixed,
        needs=takes,
        changed=raw.changed,
        worse_days=raw.worse_days,
    )


def _order(each: Waiting, first: date, prices: Costs) -> Order:
    """The order as the problem has it. Overdue promises have no day left to keep.

    A promise that can keep its day never leaves sooner: its customer counts on the day they know.
    """
    open_days = [(day - first).days for day in sorted(each.services)]
    kept = None if each.ship_on is None else (each.ship_on - first).days
    if kept is not None and kept in open_days:
        open_days = [day for day in open_days if day >= kept]
    if each.fixed and kept is not None:
        open_days = [max(0, kept)]
    wished = open_days[0] if open_days else 0
    weight = each.weight * (
        _FIXED_WEIGHT if each.fixed else 1 if each.promise_id is None else prices.promised
    )
    return Order(
        key=each.key,
        lines=tuple(Line(pool_key(pool), plugs) for pool, plugs in each.parcel.plugs.items()),
        open_days=tuple(open_days),
        first_day=wished if each.first_on is None else (each.first_on - first).days,
        weight=weight,
        kept_day=kept if kept is not None and kept >= 0 else None,
        minutes=each.needs.minutes,
        day_cost=_more_by_day(each, first, open_days, kept, weight, prices),
        day_minutes=_of_days(first, {day: one.minutes for day, one in each.needs.more.items()}),
    )


def _of_days(first: date, more: Mapping[date, int]) -> dict[int, int]:
    """What is more than nothing, by the days of the problem."""
    return {(day - first).days: much for day, much in more.items() if much}


def _more_by_day(
    each: Waiting,
    first: date,
    days: Sequence[int],
    kept: int | None,
    weight: int,
    prices: Costs,
) -> dict[int, int]:
    """What costs more by day: packs, plants not as ordered, or not as they were told before?"""
    found = _of_days(first, {day: one.cents for day, one in each.needs.more.items()})
    stands = 0 if each.fixed else each.worse_days * prices.late * weight
    told = prices.re_date if each.changed and each.promise_id is not None else 0
    for day in days:
        more = stands + (told if day == kept else 0)
        if more:
            found[day] = found.get(day, 0) + more
    return found


def _pool(held: PoolSupply, judged: OpenDays) -> ProblemPool:
    """The pool's lots, cut to the days. A lot serves ship days whose pack day finds it ready."""
    last = judged.days - 1
    lots = []
    for i, (ready, until, plugs) in enumerate(
        zip(held.ready.tolist(), held.last_sale.tolist(), held.plugs.tolist(), strict=True)
    ):
        from_day = _first_ship_day(max(0, ready), judged)
        if plugs and until >= 0 and from_day is not None and from_day <= until:
            lots.append(Lot(f"lot-{held.pool_id}-{i}", from_day, min(until, last), plugs))
    return ProblemPool(pool_key(held.pool_id), tuple(lots))


def _first_ship_day(ready: int, judged: OpenDays) -> int | None:
    """The first day to ship for which packing does not start before plugs are ready."""
    for index in range(ready, judged.days):
        day = judged.first + timedelta(days=index)
        if ready == 0 or judged.packed_by(day) >= judged.first + timedelta(days=ready):
            return index
    return None


def _minutes(session: Session, judged: OpenDays) -> tuple[int, ...]:
    """Packing minutes of each day less those of parcels that are picked or gone."""
    query = (
        select(col(Promise.ship_on), func.sum(col(Promise.minutes)))
        .where(col(Promise.ship_on) >= judged.first, col(Promise.state).in_(GONE))
        .group_by(col(Promise.ship_on))
    )
    gone = {day: int(minutes) for day, minutes in session.exec(query)}
    rules = judged.rules
    days = (judged.first + timedelta(days=i) for i in range(judged.days))
    return tuple(max(0, rules.room.get(d, rules.usual_room) - gone.get(d, 0)) for d in days)
