"""The rows of a promise: how they are locked, read, written, and told about."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date, datetime

from sqlalchemy.orm import selectinload
from sqlalchemy.sql.base import ExecutableOption
from sqlmodel import Session, col, select

from nursery.database import now, site
from nursery.errors import Refusal, Refused
from nursery.locks import lock_pools, lock_ship_days
from nursery.order import (
    CustomerOrder,
    EventKind,
    OrderLine,
    Product,
    Promise,
    PromiseEvent,
    PromiseLine,
    State,
)
from nursery.promising.basket import Item, Parcel, Window, items_of, parcel_of, products
from nursery.promising.bulk_rows import told_days
from nursery.promising.desk import Desk, OtherOptions, kept_desk, open_desk, options
from nursery.promising.facts import facts_of
from nursery.promising.lanes import Lane
from nursery.promising.ship_days import Reason, Way
from nursery.stock import Movement

OVER = (State.LAPSED, State.CANCELLED)
"""States of a promise that keeps nothing any more."""


def locked(
    session: Session, promise_id: int, pools: Iterable[int] = (), days: Iterable[date] = ()
) -> Promise:
    """Which promise is this, now that nobody else can change it, its pools or its ship day?

    Further pools and days are locked with it. Raises Refused: `unknown_promise`, and
    `changed_meanwhile` if it was given another day or other plants while we waited.
    """
    before = _reach(session, promise_id)
    lock_pools(session, [*before[0], *pools])
    lock_ship_days(session, [before[1], *days])
    if _reach(session, promise_id) != before:
        message = f"Promise {promise_id} was changed by somebody else at the same time"
        raise Refused(Refusal("changed_meanwhile", message, "promise", "look at it and ask again"))
    return read_promise(session, promise_id)


def _reach(session: Session, promise_id: int) -> tuple[list[int], date]:
    day = session.exec(select(col(Promise.ship_on)).where(Promise.id == promise_id)).first()
    if day is None:
        message = f"There is no promise {promise_id}"
        raise Refused(Refusal("unknown_promise", message, "promise", "check its number"))
    pools = select(PromiseLine.pool_id).where(PromiseLine.promise_id == promise_id)
    return sorted(session.exec(pools)), day


def read_promise(session: Session, promise_id: int) -> Promise:
    """Which promise is this, as the database has it now, with its order and its lines?"""
    return session.exec(
        select(Promise).where(Promise.id == promise_id).options(*_with_lines()),
        execution_options={"populate_existing": True},
    ).one()


def _with_lines() -> tuple[ExecutableOption, ...]:
    return (
        selectinload(Promise.order),  # type: ignore[arg-type]
        selectinload(Promise.service),  # type: ignore[arg-type]
        selectinload(Promise.lines).selectinload(PromiseLine.product),  # type: ignore[arg-type]
    )


def with_all() -> tuple[ExecutableOption, ...]:
    """What a list of promises reads beside them, once for all: order, service, lines, products.

    Else each promise would ask for its own, one by one.
    """
    lines = selectinload(Promise.lines)  # type: ignore[arg-type]
    product = lines.selectinload(PromiseLine.product)  # type: ignore[arg-type]
    return (
        *_with_lines(),
        product.selectinload(Product.wrap),  # type: ignore[arg-type]
        product.selectinload(Product.crop),  # type: ignore[arg-type]
        lines.selectinload(PromiseLine.instead_of),  # type: ignore[arg-type]
    )


def has_lapsed(promise: Promise, at: datetime) -> bool:
    """Has this reservation run out by now, whether or not anybody has written it down?"""
    if promise.state == State.LAPSED:
        return True
    until = promise.reserved_until
    return promise.state == State.RESERVED and until is not None and until < at


def live_promises(session: Session, order_id: int, at: datetime) -> list[Promise]:
    """Which promises of an order still stand?"""
    rows = session.exec(
        select(Promise)
        .where(Promise.order_id == order_id, col(Promise.state).not_in(OVER))
        .options(selectinload(Promise.lines))  # type: ignore[arg-type]
        .order_by(col(Promise.id)),
        execution_options={"populate_existing": True},
    )
    return [promise for promise in rows if not has_lapsed(promise, at)]


def parcel_again(session: Session, promise: Promise) -> Parcel:
    """Which parcel does this promise make, by the plugs it was given then?"""
    lines = {line.product_id: line for line in promise.lines}
    rows = products(session, col(Product.id).in_(lines))
    items = items_of(session, [(row, lines[row.id or 0].quantity) for row in rows])
    return parcel_of(site(session), [_as_promised(item, lines[item.product_id]) for item in items])


def as_promised(parcel: Parcel, promise: Promise) -> Parcel:
    """The same, what is bought in or stands in for another product as the promise has it."""
    lines = {line.product_id: line for line in promise.lines}
    return replace(
        parcel,
        items=tuple(
            _of_line(item, lines[item.product_id]) if item.product_id in lines else item
            for item in parcel.items
        ),
    )


def _as_promised(item: Item, line: PromiseLine) -> Item:
    return replace(_of_line(item, line), plugs=line.plugs)


def _of_line(item: Item, line: PromiseLine) -> Item:
    return replace(
        item,
        pool_id=line.pool_id,
        notes=line.notes,
        bought_in=line.bought_in,
        instead_of=line.instead_of_id,
    )


def window_of(order: CustomerOrder) -> Window:
    """When may this order arrive?"""
    return Window(order.not_before, order.not_after)


def lane_called(desk: Desk, zone_id: int, service: str) -> Lane:
    """Which lane to this zone is this service? Raises Refused `unknown_service`."""
    lanes = desk.rules.lanes[zone_id]
    found = next((lane for lane in lanes if lane.service == service), None)
    if found is None:
        names = ", ".join(lane.service for lane in lanes) or "none"
        message = f"No carrier service {service!r} goes to that address"
        raise Refused(Refusal("unknown_service", message, "service", f"there are: {names}"))
    return found


class NotThatDay(Refused):
    """Refused, and nobody has looked yet what can be had instead: that needs no lock.

    `with_options(session)` looks, in another session once this transaction has ended.
    """

    def __init__(
        self,
        refusal: Refusal,
        zone_id: int,
        parcel: Parcel,
        window: Window,
        without: int | None = None,
    ) -> None:
        super().__init__(refusal)
        self._zone_id, self._parcel, self._window = zone_id, parcel, window
        self._without = without

    def with_options(self, session: Session) -> OtherOptions:
        """Which refusal is this, and what can be had instead now?

        `without`: a promise that would be moved, whose own plugs and minutes count as free.
        """
        try:
            desk = self._desk(session)
        except Refused:  # a calendar has just been taken out: the refusal stands as it is
            return OtherOptions(**asdict(self.refusal))
        days = [date.fromordinal(n) for n in range(*_ordinals(desk))]
        found, _ = options(desk, self._zone_id, self._parcel, self._window, days)
        said = f"the best day now is {found[0].ship_on}" if found else "no day is open for it now"
        code, message = self.refusal.code, self.refusal.message
        return OtherOptions(code, message, "ship_on", said, options=found)

    def _desk(self, session: Session) -> Desk:
        pools = self._parcel.plugs
        if self._without is not None:
            return open_desk(session, [self._zone_id], pools, without=self._without)
        moment, facts = facts_of(session)
        return kept_desk(session, moment, facts, self._zone_id, pools)


def not_that_day(
    zone_id: int,
    parcel: Parcel,
    window: Window,
    code: str,
    message: str,
    without: int | None = None,
) -> NotThatDay:
    """What is raised where a day cannot be had, and others may be?"""
    refusal = Refusal(code, message, "ship_on", "ask which days are open now")
    return NotThatDay(refusal, zone_id, parcel, window, without)


def open_way(
    desk: Desk,
    zone_id: int,
    parcel: Parcel,
    window: Window,
    ship_on: date,
    service: str,
    without: int | None = None,
) -> Way:
    """By which way does this parcel leave on this day? Raises Refused where the day is closed.

    As `NotThatDay`: `no_plugs` where plugs alone stand against it, else `day_closed`.
    """
    found = desk.way(lane_called(desk, zone_id, service), ship_on, parcel, window)
    if isinstance(found, Way) and found.is_open:
        return found
    reasons = found.reasons if isinstance(found, Way) else found
    lacking = all(reason.code == "no_plugs" for reason in reasons)
    code = "no_plugs" if lacking else "day_closed"
    message = f"{ship_on}: {_said(reasons)}"
    raise not_that_day(zone_id, parcel, window, code, message, without)


def _said(reasons: Sequence[Reason]) -> str:
    return "; ".join(reason.text for reason in reasons)


def _ordinals(desk: Desk) -> tuple[int, int]:
    return desk.rules.today.toordinal(), desk.rules.last_day.toordinal() + 1


def new_promise(
    session: Session, order: CustomerOrder, way: Way, parcel: Parcel, until: datetime | None
) -> Promise:
    """Which rows say that this parcel is promised this way? Reserved `until`, else confirmed."""
    assert order.id is not None
    promise = Promise(
        order_id=order.id,
        service_id=way.lane.service_id,
        state=State.CONFIRMED if until is None else State.RESERVED,
        ship_on=way.leg.ship_on,
        first_ship_on=way.leg.ship_on,
        pack_on=way.leg.pack_on,
        arrives_from=way.arrives_from,
        arrives_until=way.arrives_until,
        probability=way.probability,
        reserved_until=until,
        minutes=minutes_of(parcel, way),
    )
    session.add(promise)
    session.flush()
    promise.lines = [_line(promise, item) for item in parcel.items]
    session.flush()
    return promise


def _line(promise: Promise, item: Item) -> PromiseLine:
    assert promise.id is not None
    return PromiseLine(
        promise_id=promise.id,
        product_id=item.product_id,
        pool_id=item.pool_id,
        quantity=item.quantity,
        plugs=item.plugs,
        bought_in=item.bought_in,
        instead_of_id=item.instead_of,
    )


def minutes_of(parcel: Parcel, way: Way) -> int:
    """How long does this parcel take to pack if it leaves this way, with the packs it needs?"""
    return parcel.minutes + way.pack_minutes


def put_on(promise: Promise, way: Way, parcel: Parcel) -> None:
    """Give a promise the day, the service and the arrival of this way, and the minutes that this
    parcel takes to pack for it; its first day stays."""
    promise.minutes = minutes_of(parcel, way)
    promise.service_id = way.lane.service_id
    promise.ship_on, promise.pack_on = way.leg.ship_on, way.leg.pack_on
    promise.arrives_from, promise.arrives_until = way.arrives_from, way.arrives_until
    promise.probability = way.probability


def set_lines(session: Session, promise: Promise, parcel: Parcel) -> None:
    """Give a promise that nobody has picked from yet the lines of this parcel; not its minutes.

    Raises Refused `not_changeable` where a product would go whose plugs were picked and put back.
    """
    wanted = {item.product_id: item for item in parcel.items}
    _refuse_lost_picks(
        session, promise, [each for each in promise.lines if each.product_id not in wanted]
    )
    for line in list(promise.lines):
        item = wanted.pop(line.product_id, None)
        if item is None:
            promise.lines.remove(line)
            session.delete(line)
        else:
            line.quantity, line.plugs, line.pool_id = item.quantity, item.plugs, item.pool_id
            line.bought_in, line.instead_of_id = item.bought_in, item.instead_of
    promise.lines.extend(_line(promise, item) for item in wanted.values())
    session.flush()


def _refuse_lost_picks(session: Session, promise: Promise, gone: Sequence[PromiseLine]) -> None:
    """A line that rows of the ledger name cannot go: they say whose plugs were put back."""
    if not gone:
        return
    named = select(Movement.promise_line_id).where(
        col(Movement.promise_line_id).in_([line.id for line in gone])
    )
    picked = set(session.exec(named))
    codes = ", ".join(line.product.code for line in gone if line.id in picked)
    if codes:
        message = (
            f"Promise {promise.id} ({promise.state}) cannot lose {codes}: plugs were picked for it"
            " and put back"
        )
        again = "cancel it and reserve again"
        raise Refused(Refusal("not_changeable", message, "basket", again))


def set_order_lines(session: Session, order: CustomerOrder, quantities: Mapping[int, int]) -> None:
    """Let an order ask for so many of these products; 0 takes a product off."""
    assert order.id is not None
    known = {line.product_id: line for line in order.lines}
    for product_id, quantity in quantities.items():
        line = known.get(product_id)
        if line is None and quantity:
            order.lines.append(
                OrderLine(order_id=order.id, product_id=product_id, quantity=quantity)
            )
        elif line is not None and quantity:
            line.quantity = quantity
        elif line is not None:
            order.lines.remove(line)
            session.delete(line)
    session.flush()


def tell(
    session: Session, promise: Promise, kind: EventKind, actor: str, **detail: object
) -> PromiseEvent:
    """What happened to this promise? Written with the change itself, so that the shop is told."""
    assert promise.id is not None
    event = PromiseEvent(
        promise_id=promise.id, kind=kind, at=now(session), actor=actor, detail=detail
    )
    session.add(event)
    session.flush()
    return event


def told_of(promise: Promise) -> dict[str, object]:
    """What does the shop have to know of a promise's day? As JSON."""
    return told_days(promise.ship_on, promise.arrives_from, promise.arrives_until)
