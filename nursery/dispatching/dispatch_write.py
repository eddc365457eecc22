"""Which promises does a dispatch that is carried out make, and which does it move?

The plan was judged as a whole under the locks, so days and plugs are not asked again order by
order. Everything is worked out first and then written a table at a time: the shop waits for as
long as that takes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from math import prod

from sqlmodel import Session, col, select

from nursery.database import now
from nursery.dispatching.dispatch_facts import Facts, Waiting
from nursery.order import EventKind, Promise
from nursery.promising.basket import ANY_DAY, parcel_of
from nursery.promising.bulk_rows import (
    Event,
    NewPromise,
    move_promises,
    told_days,
    told_of_way,
    write_events,
    write_promises,
)
from nursery.promising.held import Held
from nursery.promising.promise_rows import lane_called, open_way
from nursery.promising.ship_days import Ask, Way, judge
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
    moved: list[tuple[int, Way]] = []
    for each, way in _ways(facts, plan):
        if each.promise_id is None:
            new[each.order_id, way.leg.ship_on, way.lane.service].append((each, way))
        else:
            moved.append((each.promise_id, way))
    at = now(session)
    before = _told_before(session, [key for key, _ in moved])
    move_promises(session, moved)
    events = []
    for key, way in moved:
        reason = reasons.get(key, _OTHER_SERVICE)
        detail = {"reason": reason, "before": before[key], **told_of_way(way)}
        events.append(Event(key, EventKind.RE_DATED, actor, detail))
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
    return NewPromise(each.order_id, way, parcel, None, actor)


def _ways(facts: Facts, plan: Plan) -> Iterable[tuple[Waiting, Way]]:
    """By which way does each order leave for which something is written? By ship day.

    Its chance has that of the plugs of each pool whose counted lots cannot give them beside all
    that was given before it (`promising.chances`).
    """
    changes = sorted(_changes(facts, plan), key=lambda change: (change[1], change[0].key))
    pools = _without(facts, {each.key for each, _ in changes})
    for each, day in changes:
        lane = lane_called(facts.desk, each.zone_id, each.services[day])
        ask = Ask(each.parcel.limits, each.parcel.minutes)
        way = judge(facts.desk.rules, lane, day, ask)
        if not isinstance(way, Way):
            way = open_way(facts.desk, each.zone_id, each.parcel, ANY_DAY, day, lane.service)
        wanted = each.parcel.plugs.items()
        there = prod(pools[pool].chance(way, plugs) for pool, plugs in wanted)
        yield each, replace(way, probability=way.probability * there)
        for pool, plugs in wanted:
            pools[pool].take(day, plugs)


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


def _changes(facts: Facts, plan: Plan) -> Iterable[tuple[Waiting, date]]:
    """The orders for which something is written, with their ship day."""
    for key, index in plan.ships.items():
        each, day = facts.waiting[key], facts.day(index)
        if each.fixed:
            continue
        if each.promise_id is None or day != each.ship_on or each.services[day] != each.service:
            yield each, day


def _without(facts: Facts, changed: set[str]) -> dict[int, Held]:
    """The pools with the commitments of those orders alone that stay as they are."""
    pools = {
        pool: replace(held, committed=held.committed * 0) for pool, held in facts.desk.pools.items()
    }
    for key, each in facts.waiting.items():
        if key not in changed and each.ship_on is not None:
            day = max(each.ship_on, facts.first_day)
            for pool, plugs in each.parcel.plugs.items():
                pools[pool].committed[pools[pool].index(day)] += plugs
    return {pool: Held(held, facts.desk.rules.now) for pool, held in pools.items()}
