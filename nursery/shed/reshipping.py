"""Which plants are sent once more for a claim, from which lots, and when?

A reship is an order of its own (the shop's reference with "-R1" at its end, or one that is given),
promised at once: same address, no payment to wait for. It is judged by the same days and plugs as
everybody's (`promising.desk`), under the same locks. Plants that came dead are made up for from
other lots: plugs of those are kept for it (`promising.kept_plugs`), so that no promise that was
made before or is made after it can take them. It keeps the day that its customer was given first,
by which the dispatch weighs how late it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from sqlmodel import Session, col, select

from nursery.database import now, site
from nursery.errors import Fault, Refusal, Refused
from nursery.locks import lock_pools, lock_ship_days
from nursery.order import CustomerOrder, EventKind, Promise, PromiseLine, State
from nursery.promising.basket import (
    ANY_DAY,
    MOST_LETTERS,
    Destination,
    Parcel,
    items_of,
    parcel_of,
    wrong_reference,
    zone_of,
)
from nursery.promising.desk import Desk, OtherOptions, ShipOption, no_service, open_desk, options
from nursery.promising.kept_plugs import Chosen, fresh_lots
from nursery.promising.lapsing import write_lapsed
from nursery.promising.promise_rows import (
    lane_called,
    new_promise,
    open_way,
    read_promise,
    set_order_lines,
    tell,
    told_of,
)
from nursery.reship import Reship, ReshipLot
from nursery.shed.claims import Claim, ClaimKind, claim_of
from nursery.shed.veto import saleable

NOTHING_FREE = (
    "offer fewer plugs, another plant or the money back, or ask again when a batch is ready"
)


@dataclass(frozen=True)
class ReshipOffer:
    """What may be sent for a claim: plugs by product code, its lots that are left out, the days."""

    claim: Claim
    plugs: Mapping[str, int]
    not_lots: tuple[int, ...]
    options: tuple[ShipOption, ...]


@dataclass(frozen=True)
class _Case:
    """A claim with the rows that it is about, and what is to be sent for it."""

    claim: Claim
    first: Promise
    parcel: Parcel
    barred: frozenset[int]
    zone_id: int


def reship_offer(session: Session, claim_id: int, plugs: int | None = None) -> ReshipOffer:
    """On which days could the plants of this claim be sent again? Nothing is kept by asking.

    Raises Refused as `reship` does, but for days: then `options` is empty.
    """
    case = _case(session, claim_id, plugs)
    desk = open_desk(session, [case.zone_id], case.parcel.plugs)
    return ReshipOffer(
        claim=case.claim,
        plugs={item.code: item.plugs for item in case.parcel.items},
        not_lots=tuple(sorted(case.barred)),
        options=_options(desk, case),
    )


def reship(
    session: Session,
    claim_id: int,
    actor: str,
    plugs: int | None = None,
    ship_on: date | None = None,
    service: str = "",
    reference: str = "",
    reason: str = "",
) -> Promise:
    """Which promise sends the plants of this claim once more? Confirmed, with its lots kept.

    `plugs` defaults to all that were claimed and not sent again yet; the best day and service are
    taken where none is named. Raises Refused: `unknown_claim`, `nothing_claimed`,
    `too_many_plugs`, `which_product`, `order_exists`, `bad_reference`, what `promise.reserve`
    raises, and `no_fresh_plugs` (with the days that can be had) where other lots cannot give them.
    `Fault` without a name.
    """
    if not actor.strip():
        raise Fault("Reship", "needs who decides it", actor, "give the name")
    case = _case(session, claim_id, plugs)
    lock_pools(session, case.parcel.plugs)
    case = _case(session, claim_id, plugs)  # again: another may have been made meanwhile
    desk = open_desk(session, [case.zone_id], case.parcel.plugs)
    if not desk.rules.lanes[case.zone_id]:
        raise Refused(no_service(zone_of(session, _address(case.first.order))))
    if ship_on is None or not service:
        best = _best(desk, case, ship_on, service)
        ship_on, service = best.ship_on, best.service
    lock_ship_days(session, [ship_on])
    desk = open_desk(session, [case.zone_id], case.parcel.plugs, ship_on)
    write_lapsed(session, case.parcel.plugs, [ship_on], max(desk.rules.now, now(session)))
    way = open_way(desk, case.zone_id, case.parcel, ANY_DAY, ship_on, service)
    chosen = _chosen(desk, case, way.leg.pack_on, ship_on)
    if chosen is None:
        raise _no_fresh(desk, case, way.leg.pack_on, ship_on)
    order = _order(session, case, reference)
    promise = new_promise(session, order, way, case.parcel, until=None)
    promise.first_ship_on = case.first.first_ship_on
    row = _row(session, case, promise, actor, reason)
    _keep(session, row, promise, chosen)
    tell(
        session,
        promise,
        EventKind.CONFIRMED,
        actor,
        late=False,
        reship={"claim": claim_id, "of": case.first.order.reference, "reason": row.reason},
        **told_of(promise),
    )
    return read_promise(session, promise.id or 0)


def _case(session: Session, claim_id: int, plugs: int | None) -> _Case:
    claim = claim_of(session, claim_id)
    first = read_promise(session, claim.promise_id)
    left = claim.plugs - sum(
        each.plugs for each in claim.reships if each.state is not State.CANCELLED
    )
    if left < 1:
        what = "no plugs are claimed" if not claim.plugs else "all that was claimed is sent again"
        message = f"claim {claim_id} of order {claim.reference}: {what}"
        raise Refused(Refusal("nothing_claimed", message, "claim", "record what else is claimed"))
    wanted = left if plugs is None else plugs
    if not 1 <= wanted <= left:
        message = f"{wanted} plugs are wanted, {left} of {claim.plugs} claimed ones are left"
        raise Refused(Refusal("too_many_plugs", message, "plugs", f"send 1 to {left}"))
    zone = zone_of(session, _address(first.order))
    parcel = _parcel(session, claim, first, wanted)
    barred = _barred(session, claim)
    return _Case(claim, first, parcel, barred, zone.id or 0)


def _address(order: CustomerOrder) -> Destination:
    return Destination(order.country, order.postcode)


def _parcel(session: Session, claim: Claim, first: Promise, wanted: int) -> Parcel:
    """The claimed products, so many plugs of them: not whole products, where fewer are claimed."""
    lines = [each for each in first.lines if claim.product in ("", each.product.code)]
    sent = sum(line.plugs for line in lines)
    if len(lines) > 1 and wanted != sent:
        codes = ", ".join(line.product.code for line in lines)
        message = f"{wanted} plugs of a parcel with {codes} ({sent} plugs): of which?"
        raise Refused(Refusal("which_product", message, "claim", "record a claim for each product"))
    found = []
    for line in lines:
        many = wanted if len(lines) == 1 else line.plugs
        pieces = min(line.quantity, -(-many // line.product.plugs)) or 1
        (item,) = items_of(session, [(line.product, pieces)])
        found.append(replace(item, plugs=many))
    return parcel_of(site(session), found)


def _barred(session: Session, claim: Claim) -> frozenset[int]:
    """Which claimed lots give it nothing? All, if plants came dead; else those that are suspect."""
    lots = frozenset(lot.lot_id for lot in claim.lots)
    return lots if claim.kind is ClaimKind.DEAD else lots - saleable(session, sorted(lots))


def _days(desk: Desk) -> list[date]:
    first, last = desk.rules.today.toordinal(), desk.rules.last_day.toordinal()
    return [date.fromordinal(day) for day in range(first, last + 1)]


def _options(desk: Desk, case: _Case) -> tuple[ShipOption, ...]:
    """The days on which all of it can leave, from fresh lots where that is asked; best first."""
    if not desk.rules.lanes[case.zone_id]:
        return ()
    found, _ = options(desk, case.zone_id, case.parcel, ANY_DAY, _days(desk))
    return tuple(
        each for each in found if _chosen(desk, case, each.pack_on, each.ship_on) is not None
    )


def _best(desk: Desk, case: _Case, ship_on: date | None, service: str) -> ShipOption:
    if service:
        lane_called(desk, case.zone_id, service)
    found = _options(desk, case)
    fitting = [
        each for each in found if ship_on in (None, each.ship_on) and service in ("", each.service)
    ]
    if fitting:
        return fitting[0]
    day = f"on {ship_on}" if ship_on else "on any day"
    by = f" by {service}" if service else ""
    fresh = f" from other lots than the claimed ones ({_lots(case)})" if case.barred else ""
    message = f"{_wanted(case)} cannot be sent again {day}{by}{fresh}"
    raise Refused(_other("no_fresh_plugs", message, found))


def _no_fresh(desk: Desk, case: _Case, pack_on: date, ship_on: date) -> Refused:
    message = (
        f"{_wanted(case)} cannot be sent again on {ship_on} from other lots than the claimed ones"
        f" ({_lots(case)})"
    )
    return Refused(_other("no_fresh_plugs", message, _options(desk, case)))


def _other(code: str, message: str, found: tuple[ShipOption, ...]) -> OtherOptions:
    said = f"the best day now is {found[0].ship_on}" if found else NOTHING_FREE
    return OtherOptions(code, message, "ship_on", said, options=found)


def _wanted(case: _Case) -> str:
    return ", ".join(f"{item.plugs} plugs of {item.code}" for item in case.parcel.items)


def _lots(case: _Case) -> str:
    return ", ".join(
        sorted({each.batch_code for each in case.claim.lots if each.lot_id in case.barred})
    )


def _chosen(
    desk: Desk, case: _Case, pack_on: date, ship_on: date
) -> dict[int, tuple[Chosen, ...]] | None:
    """By product (id): the lots kept for it. Empty where any lot will do, None where too few."""
    if not case.barred:
        return {}
    found: dict[int, tuple[Chosen, ...]] = {}
    pools = dict(desk.pools)
    for item in case.parcel.items:
        held = pools[item.pool_id]
        days = held.index(pack_on), held.index(ship_on)
        lots = fresh_lots(held, case.barred, *days, item.plugs)
        if sum(each.plugs for each in lots) < item.plugs:
            return None
        found[item.product_id] = lots
        pools[item.pool_id] = held.less(lots)
    return found


def _order(session: Session, case: _Case, reference: str) -> CustomerOrder:
    """The reship's own order, to the address of the first one."""
    first = case.first.order
    made = session.exec(
        select(Reship.id)
        .join(Promise, col(Reship.first_promise_id) == col(Promise.id))
        .where(Promise.order_id == first.id)
    ).all()
    name = reference or f"{first.reference[: MOST_LETTERS - 5]}-R{len(made) + 1}"
    wrong = wrong_reference(name)
    if wrong is not None:
        raise Refused(wrong)
    if session.exec(select(CustomerOrder.id).where(CustomerOrder.reference == name)).first():
        message = f"there is an order {name} already"
        raise Refused(Refusal("order_exists", message, "reference", "give another reference"))
    order = CustomerOrder(
        reference=name,
        placed_at=now(session),
        country=first.country,
        postcode=first.postcode,
        zone_id=case.zone_id,
        weight=first.weight,
    )
    session.add(order)
    session.flush()
    set_order_lines(session, order, case.parcel.quantities)
    return order


def _row(session: Session, case: _Case, promise: Promise, actor: str, reason: str) -> Reship:
    row = Reship(
        claim_id=case.claim.event_id,
        first_promise_id=case.first.id or 0,
        promise_id=promise.id or 0,
        plugs=sum(item.plugs for item in case.parcel.items),
        not_lots=sorted(case.barred),
        reason=reason.strip() or f"claimed as {case.claim.kind.value}",
        made_by=actor,
        made_at=now(session),
    )
    session.add(row)
    session.flush()
    return row


def _keep(
    session: Session, row: Reship, promise: Promise, chosen: Mapping[int, Sequence[Chosen]]
) -> None:
    lines: dict[int, PromiseLine] = {line.product_id: line for line in promise.lines}
    for product, lots in chosen.items():
        for lot_id, many in lots:
            key = lines[product].id or 0
            kept = ReshipLot(reship_id=row.id or 0, promise_line_id=key, lot_id=lot_id, plugs=many)
            session.add(kept)
    session.flush()
