"""Which plugs and which day are kept for whom? The life of a promise until it is picked.

Every change is made under the locks of the promise's pools and ship days and writes a PromiseEvent
in the same transaction. Whether a reservation still holds is judged by the database's clock under
the lock, never by whether somebody has already written down that it lapsed.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, timedelta

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, func, select

from nursery.carrier import Zone
from nursery.database import now, site
from nursery.errors import Refusal, Refused
from nursery.locks import lock_pools, lock_ship_days
from nursery.order import HOLDING, CustomerOrder, EventKind, OrderLine, Promise, PromiseLine, State
from nursery.promising.alternatives import Others, bought_in_for, instead
from nursery.promising.basket import (
    ANY_DAY,
    NO_CONSENT,
    Basket,
    Consent,
    Destination,
    Parcel,
    Window,
    items_of,
    parcel_for,
    parcel_of,
    wrong_reference,
    wrong_window,
    zone_of,
)
from nursery.promising.catalogue import catalogue_of
from nursery.promising.desk import Desk, no_service, open_desk
from nursery.promising.facts import facts_of
from nursery.promising.kept_plugs import choose_again, is_reship
from nursery.promising.lapsing import write_lapsed
from nursery.promising.plants import told_plants
from nursery.promising.promise_rows import (
    OVER,
    as_promised,
    has_lapsed,
    lane_called,
    live_promises,
    locked,
    minutes_of,
    new_promise,
    not_that_day,
    open_way,
    parcel_again,
    put_on,
    read_promise,
    set_lines,
    set_order_lines,
    tell,
    told_of,
    window_of,
)
from nursery.promising.ship_days import Ask, Way, judge


def reserve(
    session: Session,
    reference: str,
    basket: Basket,
    destination: Destination,
    ship_on: date,
    service: str,
    actor: str,
    window: Window = ANY_DAY,
    consent: Consent = NO_CONSENT,
    label_reference: str = "",
) -> Promise:
    """Which plugs and day are kept while the customer pays? A reservation, for so many minutes.

    Makes the order `reference` (the shop's own) with its lines; with consent to split, a part may
    be added to an order that is there. `service` is a carrier service's name. Raises Refused: what
    `quote` raises, `bad_reference`, `unknown_service`, `order_exists`, `no_plugs` and `day_closed`
    (these two as `NotThatDay`, which finds what can be had instead once the transaction has ended).
    """
    wrong = wrong_reference(reference, label_reference) or wrong_window(window)
    if wrong is not None:
        raise Refused(wrong)
    parcel = parcel_for(session, site(session), basket)
    zone = zone_of(session, destination)
    assert zone.id is not None
    others = _others(session, parcel) if consent.bought_in else {}
    pools = {*parcel.plugs, *(one.pool_id for each in others.values() for one in each)}
    lock_pools(session, pools)
    lock_ship_days(session, [ship_on])
    desk = _desk_to_sell(session, [zone.id], pools, ship_on)
    if not desk.rules.lanes[zone.id]:
        raise Refused(no_service(zone))
    way, parcel = _way_by_consent(desk, zone.id, parcel, window, ship_on, service, others)
    order = _order(session, reference, zone, destination, window, consent)
    _add_lines(session, order, parcel)
    order.label_reference = label_reference or order.label_reference
    until = desk.rules.now + timedelta(minutes=desk.site.reservation_minutes)
    promise = new_promise(session, order, way, parcel, until)
    tell(session, promise, EventKind.RESERVED, actor, until=until.isoformat(), **told_of(promise))
    return promise


def confirm(session: Session, promise_id: int, actor: str) -> Promise:
    """Is it promised for good? Also after the reservation lapsed, if plugs and day are still there.

    A second confirm changes nothing. Raises Refused: `unknown_promise`, `not_changeable`, `lapsed`
    (as `NotThatDay`, which finds the days that can be had now).
    """
    promise = locked(session, promise_id)
    if promise.state not in (State.RESERVED, *OVER):
        return promise
    if promise.state == State.CANCELLED:
        raise Refused(_not_changeable(promise, "it has been cancelled"))
    late = has_lapsed(promise, now(session))
    if late:
        _take_again(session, promise)
    promise.state, promise.reserved_until = State.CONFIRMED, None
    tell(session, promise, EventKind.CONFIRMED, actor, late=late, **told_of(promise))
    return promise


def amend(
    session: Session,
    promise_id: int,
    actor: str,
    basket: Basket | None = None,
    destination: Destination | None = None,
    ship_on: date | None = None,
    service: str | None = None,
    window: Window | None = None,
) -> Promise:
    """What is promised now that the customer wants other plants, another address or another day?

    One operation, until picked; what is None stays. Raises Refused: what `reserve` raises,
    `unknown_promise`, `not_changeable`, `lapsed`, `split_order`.
    """
    wrong = None if window is None else wrong_window(window)
    if wrong is not None:
        raise Refused(wrong)
    asked = None if basket is None else parcel_for(session, site(session), basket)
    zone = None if destination is None else zone_of(session, destination)
    pools = () if asked is None else asked.plugs
    promise = locked(session, promise_id, pools, () if ship_on is None else [ship_on])
    _refuse_unless_open(session, promise)
    before, order = told_of(promise), promise.order
    if destination is not None and zone is not None:
        _refuse_split(session, promise)
        _address(order, zone, destination)
    if window is not None:
        order.not_before, order.not_after = window.not_before, window.not_after
    parcel = as_promised(asked, promise) if asked else parcel_again(session, promise)
    again = is_reship(session, promise_id)
    if asked is not None and again:
        raise Refused(_not_changeable(promise, "it is a reship: cancel it, then reship anew"))
    moves = (destination, ship_on, service, window) != (None, None, None, None)
    if moves or _takes_more(promise, parcel):
        _move(session, promise, parcel, ship_on, service, again)
    elif asked is not None:
        promise.minutes = _minutes_as_it_stands(session, promise, parcel)
    if asked is not None:
        gone = {line.instead_of_id or line.product_id: 0 for line in promise.lines}
        set_lines(session, promise, parcel)
        wanted = {item.instead_of or item.product_id: item.quantity for item in parcel.items}
        set_order_lines(session, order, {**gone, **wanted})
    tell(session, promise, EventKind.AMENDED, actor, before=before, **told_of(promise))
    return promise


def cancel(session: Session, promise_id: int, actor: str, reason: str = "") -> Promise:
    """What becomes of a promise the customer no longer wants? Its plugs are free again.

    Reserved or confirmed ones, until picked; a second cancel changes nothing. Raises Refused:
    `unknown_promise`, `not_changeable`.
    """
    promise = locked(session, promise_id)
    if promise.state in OVER:
        return promise
    if has_lapsed(promise, now(session)):
        return _lapse(session, promise, actor)
    _refuse_unless_open(session, promise)
    return _end(session, promise, actor, reason=reason)


def release(session: Session, promise_id: int, actor: str) -> Promise:
    """What becomes of a reservation that is given up before payment? It is cancelled at once.

    One that lapsed stays lapsed. Raises Refused: `unknown_promise`, `not_changeable`.
    """
    promise = locked(session, promise_id)
    if promise.state in OVER:
        return promise
    if has_lapsed(promise, now(session)):
        return _lapse(session, promise, actor)
    if promise.state != State.RESERVED:
        raise Refused(_not_changeable(promise, "only a reservation can be released"))
    return _end(session, promise, actor, reason="released")


def promise_order(
    session: Session,
    order_id: int,
    ship_on: date,
    service: str,
    actor: str,
    judged: bool = False,
    desk: Desk | None = None,
) -> Promise:
    """Which promise does an order on the book get, for all its lines that have none? Confirmed.

    `judged` says that the caller holds the locks and has judged the plan as a whole, so that days
    and plugs are not asked again order by order; `desk` (see `promising.quote.open_desk`, with the
    order's zone and pools) spares reading the rules for each. Raises Refused: `unknown_order`,
    `nothing_to_promise`, and as `reserve` does.
    """
    order = _order_to_promise(session, order_id)
    parcel = _unpromised(session, order)
    if not judged:
        lock_pools(session, parcel.plugs)
        lock_ship_days(session, [ship_on])
        parcel = _unpromised(session, order)
    desk = desk or _desk_to_sell(session, [order.zone_id], parcel.plugs, ship_on)
    window = window_of(order)
    way = _given_way(desk, order.zone_id, parcel, window, ship_on, service, judged)
    promise = new_promise(session, order, way, parcel, until=None)
    tell(session, promise, EventKind.CONFIRMED, actor, late=False, **told_of(promise))
    return promise


def re_date(
    session: Session,
    promise_id: int,
    ship_on: date,
    service: str,
    actor: str,
    reason: str,
    judged: bool = False,
    desk: Desk | None = None,
) -> Promise:
    """Which day does a promise get when the nursery cannot keep its own? An event on it.

    It keeps the first day it was given. `judged` and `desk` as in `promise_order`. Raises Refused:
    `unknown_promise`, `not_changeable`, `lapsed`, and as `reserve` does.
    """
    promise = (
        read_promise(session, promise_id) if judged else locked(session, promise_id, (), [ship_on])
    )
    _refuse_unless_open(session, promise)
    plants = told_plants(session, promise)
    before, zone_id = told_of(promise) | plants, promise.order.zone_id
    parcel = parcel_again(session, promise)
    desk = desk or _desk_to_sell(session, [zone_id], parcel.plugs, ship_on, promise_id)
    window = window_of(promise.order)
    way = _given_way(desk, zone_id, parcel, window, ship_on, service, judged, promise_id)
    put_on(promise, way, parcel)
    tell(
        session,
        promise,
        EventKind.RE_DATED,
        actor,
        reason=reason,
        before=before,
        **told_of(promise),
        **plants,
    )
    return promise


def orders_without_promise(session: Session) -> list[int]:
    """Which orders on the book never had a promise, and wait for one? Their ids, oldest first."""
    promised = select(Promise.order_id)
    rows = session.exec(
        select(CustomerOrder.id)
        .where(col(CustomerOrder.id).not_in(promised), col(CustomerOrder.lines).any())
        .order_by(col(CustomerOrder.placed_at), col(CustomerOrder.id))
    )
    return [each for each in rows if each is not None]


def lapse(session: Session, actor: str = "clock") -> list[int]:
    """Which reservations have run out and were not yet written down? Their ids, now lapsed.

    Bookkeeping only: a reservation that ran out counts for nothing whether or not this is run.
    """
    due = session.exec(
        select(Promise.id)
        .where(Promise.state == State.RESERVED, col(Promise.reserved_until) < now(session))
        .order_by(col(Promise.id))
    ).all()
    ids = [each for each in due if each is not None]
    pools = session.exec(select(PromiseLine.pool_id).where(col(PromiseLine.promise_id).in_(ids)))
    days = session.exec(select(col(Promise.ship_on)).where(col(Promise.id).in_(ids)))
    lock_pools(session, pools)
    lock_ship_days(session, days)
    at = now(session)
    over = [
        promise
        for promise in (read_promise(session, each) for each in ids)
        if promise.state == State.RESERVED and has_lapsed(promise, at)
    ]
    return [_lapse(session, promise, actor).id or 0 for promise in over]


def _others(session: Session, parcel: Parcel) -> Others:
    """What is sold as bought in, for a customer who agreed to that."""
    _, facts = facts_of(session)
    return bought_in_for(catalogue_of(session, facts), parcel)


def _way_by_consent(
    desk: Desk,
    zone_id: int,
    parcel: Parcel,
    window: Window,
    ship_on: date,
    service: str,
    others: Others,
) -> tuple[Way, Parcel]:
    """By which way does it leave, and what of it is bought in? Raised here, wherever that can be.

    Raises Refused as `open_way` does for the parcel that was asked for.
    """
    found = desk.way(lane_called(desk, zone_id, service), ship_on, parcel, window)
    if others and isinstance(found, Way) and not found.is_open:
        changed = instead(desk, found, parcel, others)
        if changed is not None:
            way = desk.way(found.lane, ship_on, changed, window)
            if isinstance(way, Way) and way.is_open:
                return way, changed
    return open_way(desk, zone_id, parcel, window, ship_on, service), parcel


def _desk_to_sell(
    session: Session,
    zone_ids: Sequence[int],
    pools: Collection[int],
    ship_on: date,
    without: int | None = None,
) -> Desk:
    """What has to be known to promise this parcel, under its locks; what ran out is written down.

    The clock may be set back later: then what was sold on must not seem reserved again.
    """
    desk = open_desk(session, zone_ids, pools, ship_on, without)
    write_lapsed(session, pools, [ship_on], max(desk.rules.now, now(session)))
    return desk


def _end(session: Session, promise: Promise, actor: str, reason: str) -> Promise:
    promise.state = State.CANCELLED
    tell(session, promise, EventKind.CANCELLED, actor, reason=reason)
    return promise


def _lapse(session: Session, promise: Promise, actor: str) -> Promise:
    promise.state = State.LAPSED
    tell(session, promise, EventKind.LAPSED, actor)
    return promise


def _not_changeable(promise: Promise, why: str) -> Refusal:
    message = f"Promise {promise.id} ({promise.state}) cannot be changed: {why}"
    then = "reserve again" if promise.state in OVER else "ask the nursery"
    return Refusal("not_changeable", message, "promise", then)


def _refuse_unless_open(session: Session, promise: Promise) -> None:
    """Is it reserved or confirmed, with nothing picked for it yet?"""
    if has_lapsed(promise, now(session)):
        message = f"The reservation {promise.id} has lapsed"
        raise Refused(Refusal("lapsed", message, "promise", "confirm it, or reserve again"))
    if promise.state not in HOLDING:
        raise Refused(_not_changeable(promise, "it is no longer waiting to be picked"))
    if any(line.picked for line in promise.lines):
        raise Refused(_not_changeable(promise, "it is being picked"))


def _order(
    session: Session,
    reference: str,
    zone: Zone,
    destination: Destination,
    window: Window,
    consent: Consent,
) -> CustomerOrder:
    """The order of this reference: new, or one whose promises are all over, or one to add to."""
    order = session.exec(
        select(CustomerOrder)
        .where(CustomerOrder.reference == reference)
        .options(selectinload(CustomerOrder.lines))  # type: ignore[arg-type]
    ).first()
    at = now(session)
    if order is None:
        order = CustomerOrder(reference=reference, placed_at=at, country="", postcode="", zone_id=0)
    elif live_promises(session, order.id or 0, at):
        _refuse_other_order(order, zone, consent)
        return order
    else:
        # Should the clock be set back, the order must not have two reservations.
        write_lapsed(session, (), (), at, order.id or 0)
        if live_promises(session, order.id or 0, at):
            raise Refused(_order_exists(reference, "it has just been confirmed"))
        set_order_lines(session, order, {line.product_id: 0 for line in order.lines})
    _address(order, zone, destination)
    order.not_before, order.not_after = window.not_before, window.not_after
    order.may_split, order.may_substitute = consent.may_split, consent.may_substitute
    order.may_be_bought_in = consent.bought_in
    session.add(order)
    try:
        session.flush()
    except IntegrityError as taken:
        raise Refused(_order_exists(reference, "it has just been made")) from taken
    return order


def _address(order: CustomerOrder, zone: Zone, destination: Destination) -> None:
    assert zone.id is not None
    order.country, order.zone_id = destination.country.strip().upper(), zone.id
    order.postcode = destination.postcode.strip()


def _order_exists(reference: str, why: str) -> Refusal:
    message = f"Order {reference} has a promise already: {why}"
    return Refusal("order_exists", message, "reference", "amend its promise, or use a new one")


def _refuse_other_order(order: CustomerOrder, zone: Zone, consent: Consent) -> None:
    if not (order.may_split and consent.may_split):
        raise Refused(_order_exists(order.reference, "its customer did not agree to parts"))
    if order.zone_id != zone.id:
        raise Refused(_order_exists(order.reference, "its other part goes to another zone"))


def _add_lines(session: Session, order: CustomerOrder, parcel: Parcel) -> None:
    promised = _promised(live_promises(session, order.id or 0, now(session)))
    if promised & set(parcel.quantities):
        raise Refused(_order_exists(order.reference, "the same products are in it"))
    set_order_lines(session, order, parcel.quantities)


def _take_again(session: Session, promise: Promise) -> None:
    """Give a lapsed reservation its plugs and day again, if both are still there."""
    order, parcel = promise.order, parcel_again(session, promise)
    desk = _desk_to_sell(session, [order.zone_id], parcel.plugs, promise.ship_on, promise.id)
    _refuse_superseded(session, promise)
    lane = lane_called(desk, order.zone_id, promise.service.name)
    way = desk.way(lane, promise.ship_on, parcel, window_of(order))
    if not isinstance(way, Way) or not way.is_open:
        message = f"The reservation {promise.id} has lapsed and its day or plugs are gone"
        window = window_of(order)
        raise not_that_day(order.zone_id, parcel, window, "lapsed", message)
    put_on(promise, way, parcel)


def _refuse_superseded(session: Session, promise: Promise) -> None:
    """Was its order reserved again since, with the same products or with others instead?"""
    mine = _promised([promise])
    others = _promised(live_promises(session, promise.order_id, now(session)))
    wanted = session.exec(
        select(OrderLine.product_id).where(OrderLine.order_id == promise.order_id)
    )
    if mine & others or mine - set(wanted):
        raise Refused(_not_changeable(promise, "its order has been reserved anew"))


def _promised(promises: Sequence[Promise]) -> set[int]:
    """Which products of the order do these promises hold, or others in place of them?"""
    lines = (line for promise in promises for line in promise.lines)
    return {line.instead_of_id or line.product_id for line in lines}


def _takes_more(promise: Promise, parcel: Parcel) -> bool:
    """Does it ask for anything that the promise does not hold already?"""
    held: dict[int, int] = {line.product_id: line.plugs for line in promise.lines}
    return parcel.minutes > promise.minutes or any(
        item.plugs > held.get(item.product_id, 0) for item in parcel.items
    )


def _move(
    session: Session,
    promise: Promise,
    parcel: Parcel,
    ship_on: date | None,
    service: str | None,
    reship: bool,
) -> None:
    """Put a promise where its customer wants it now: their own wish is a new first day."""
    order, day = promise.order, ship_on or promise.ship_on
    desk = _desk_to_sell(session, [order.zone_id], parcel.plugs, day, promise.id)
    service, window = service or promise.service.name, window_of(order)
    way = open_way(desk, order.zone_id, parcel, window, day, service, promise.id)
    put_on(promise, way, parcel)
    if reship and not choose_again(session, desk.pools, promise):
        message = f"{day}: other lots than the claimed ones cannot give its plugs"
        raise Refused(Refusal("no_fresh_plugs", message, "ship_on", "choose another day"))
    if ship_on is not None and not reship:
        promise.first_ship_on = ship_on


def _minutes_as_it_stands(session: Session, promise: Promise, parcel: Parcel) -> int:
    """How long does it take to pack now, on the day it has? Fewer plants, or hardier ones alone,
    may need no packs any more; whether the day is still open to others does not matter."""
    desk = open_desk(session, [promise.order.zone_id], parcel.plugs, promise.ship_on, promise.id)
    lanes = desk.rules.lanes[promise.order.zone_id]
    lane = next((one for one in lanes if one.service_id == promise.service_id), None)
    if lane is None:  # the service goes there no more: the dispatch finds another
        return parcel.minutes
    way = judge(desk.rules, lane, promise.ship_on, Ask(parcel.limits, 0))
    return minutes_of(parcel, way) if isinstance(way, Way) else parcel.minutes


def _refuse_split(session: Session, promise: Promise) -> None:
    others = [
        other
        for other in live_promises(session, promise.order_id, now(session))
        if other.id != promise.id
    ]
    if others:
        message = f"Order {promise.order.reference} goes in parts, to one address"
        said = "cancel the other part first, or ask the nursery"
        raise Refused(Refusal("split_order", message, "destination", said))


def _order_to_promise(session: Session, order_id: int) -> CustomerOrder:
    order = session.exec(
        select(CustomerOrder)
        .where(CustomerOrder.id == order_id)
        .options(selectinload(CustomerOrder.lines).selectinload(OrderLine.product))  # type: ignore[arg-type]
    ).first()
    if order is None:
        message = f"There is no order {order_id}"
        raise Refused(Refusal("unknown_order", message, "order", "check its number"))
    return order


def _unpromised(session: Session, order: CustomerOrder) -> Parcel:
    """Lines that never had a promise. A reservation that lapsed is nobody's wish any more."""
    ordered = func.coalesce(PromiseLine.instead_of_id, PromiseLine.product_id)
    promised = select(ordered).join(Promise).where(Promise.order_id == order.id)
    over = set(session.exec(promised))
    left = [(line.product, line.quantity) for line in order.lines if line.product_id not in over]
    if not left:
        message = f"Every line of order {order.reference} is, or was, promised already"
        said = "amend or re-date its promise"
        raise Refused(Refusal("nothing_to_promise", message, "order", said))
    return parcel_of(site(session), items_of(session, left))


def _given_way(
    desk: Desk,
    zone_id: int,
    parcel: Parcel,
    window: Window,
    ship_on: date,
    service: str,
    judged: bool,
    without: int | None = None,
) -> Way:
    if judged:
        way = desk.way(lane_called(desk, zone_id, service), ship_on, parcel, window)
        if isinstance(way, Way):
            return way
    return open_way(desk, zone_id, parcel, window, ship_on, service, without)
