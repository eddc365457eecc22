"""Which promises does a dispatch that is carried out make, and which does it move?

The plan was judged as a whole under the locks, so days and plugs are not asked again order by
order. Everything is worked out first and then written a table at a time: the shop waits for as
long as that takes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date

from sqlmodel import Session, col, select

from nursery.database import now
from nursery.dispatching.dispatch_facts import Facts, Waiting
from nursery.dispatching.dispatch_sure import stated
from nursery.order import EventKind, Promise
from nursery.promising.basket import parcel_of
from nursery.promising.bulk_rows import (
    Event,
    Move,
    NewPromise,
    move_promises,
    told_days,
    told_of_way,
    write_events,
    write_promises,
)
from nursery.promising.ship_days import Way
from solver.dispatching.problem import Plan

_OTHER_SERVICE = "Your parcel goes with another carrier service."


def write(
    session: Session, facts: Facts, plan: Plan, reasons: Mapping[int, str], actor: str
) -> dict[tuple[str, str], int]:
    """Write the plan: promises for orders that had none, other days for those that move.

    `reasons` has the words for the customer by promise id. Returns the new promises' ids by the
    order's reference and part; parts that leave on one day by one service make one parcel. The
    locks are held and `facts` were read under them. Raises Refused where a service goes there no
    more.
    """
    new: dict[tuple[int, date, str], list[tuple[Waiting, Way]]] = defaultdict(list)
    moved: list[Move] = []
    for each, way in stated(facts, plan):
        if each.promise_id is None:
            new[each.order_id, way.leg.ship_on, way.lane.service].append((each, way))
        else:
            moved.append(Move(each.promise_id, way, _minutes(facts, each, way)))
    at = now(session)
    before = _told_before(session, [one.promise_id for one in moved])
    move_promises(session, moved)
    events = []
    for one in moved:
        reason = reasons.get(one.promise_id, _OTHER_SERVICE)
        detail = {"reason": reason, "before": before[one.promise_id], **told_of_way(one.way)}
        events.append(Event(one.promise_id, EventKind.RE_DATED, actor, detail))
    write_events(session, events, at)
    rows = [_one_parcel(facts, parts, actor) for parts in new.values()]
    ids = write_promises(session, rows, at)
    # What was written apart from the session's rows must be read again where it is read again.
    session.flush()
    session.expire_all()
    return {
        (each.reference, each.part): key
        for key, parts in zip(ids, new.values(), strict=True)
        for each, _ in parts
    }


def _one_parcel(facts: Facts, parts: Sequence[tuple[Waiting, Way]], actor: str) -> NewPromise:
    """The promise of parts of one order that leave together; as sure as the least sure of them."""
    each, way = min(parts, key=lambda part: part[1].probability)
    items = [item for part, _ in parts for item in part.parcel.items]
    parcel = each.parcel if len(parts) == 1 else parcel_of(facts.desk.site, items)
    # Together they take what they are on the site's sheet, and what the parts take for the day.
    more = sum(_minutes(facts, one, of_one) - one.parcel.minutes for one, of_one in parts)
    return NewPromise(each.order_id, way, parcel, None, actor, parcel.minutes + max(0, more))


def _minutes(facts: Facts, each: Waiting, way: Way) -> int:
    """How long does it take to pack for this way? As the dispatch has reckoned."""
    return facts.problem.order_of[each.key].minutes_on(facts.index(way.leg.ship_on))


def _told_before(session: Session, ids: list[int]) -> dict[int, dict[str, object]]:
    """What had the shop been told of the days of these promises?"""
    if not ids:
        return {}
    rows = session.exec(
        select(
            col(Promise.id),
            col(Promise.ship_on),
            col(Promise.arrives_from),
            col(Promise.arrives_until),
        ).where(col(Promise.id).in_(ids))
    )
    return {key or 0: told_days(*days) for key, *days in rows}
