"""Which promises does a dispatch that is carried out make, and which does it move?

The plan was judged as a whole under the locks, so days and plugs are not asked again order by
order. Everything is worked out first and then written a table at a time: the shop waits for as
long as that takes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from sqlmodel import Session, col, select

from nursery.database import now
from nursery.dispatching.dispatch_facts import Facts, Waiting
from nursery.dispatching.dispatch_sure import stated
from nursery.order import EventKind, Promise, PromiseLine
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
from nursery.promising.plants import PLANTS, Words, plants_in, plants_of_items, sends_in
from nursery.promising.promise_rows import read_promise, set_lines
from nursery.promising.ship_days import Way
from solver.dispatching.problem import Plan

_OTHER_SERVICE = "Your parcel goes with another carrier service."


@dataclass(frozen=True)
class Told:
    """What are customers told? Why a promise moves, by its id; which plants go instead of which,
    by the order's key."""

    reasons: Mapping[int, str]
    plants: Mapping[str, str]


def told_changes(session: Session, facts: Facts, plan: Plan) -> dict[str, str]:
    """Which orders get other plants by this plan, by key, and what is their customer told?"""
    changed = [facts.waiting[key] for key in plan.ships if facts.waiting[key].changed]
    changed += given_back(facts, plan)
    ids = [each.promise_id for each in changed if each.promise_id is not None]
    lines = session.exec(select(PromiseLine).where(col(PromiseLine.promise_id).in_(ids))).all()
    had = {key: sends_in(line for line in lines if line.promise_id == key) for key in ids}
    pairs = {each.key: (had.get(each.promise_id or 0, ()), each.sends) for each in changed}
    sent = (one for pair in pairs.values() for sends in pair for one in sends)
    words = Words(session, [key for one in sent for key in (one.ordered, one.sent)])
    return {key: words.change(*pair) for key, pair in pairs.items()}


def given_back(facts: Facts, plan: Plan) -> list[Waiting]:
    """Which promises get no day, and hold plants to which their customers do not agree any more?

    Those plants are others' from now on, so their lines are as ordered at once.
    """
    return [
        each
        for key, each in facts.waiting.items()
        if each.changed and each.promise_id and key not in plan.ships and key not in facts.choices
    ]


def write(
    session: Session, facts: Facts, plan: Plan, told: Told, actor: str
) -> dict[tuple[str, str], int]:
    """Write the plan: promises for orders that had none, other days and plants for those that move.

    Returns the new promises' ids by the order's reference and part; parts that leave on one day by
    one service make one parcel. The locks are held and `facts` were read under them. Raises Refused
    where a service goes there no more.
    """
    new: dict[tuple[int, date, str], list[tuple[Waiting, Way]]] = defaultdict(list)
    moved: list[tuple[Waiting, Way]] = []
    for each, way in stated(facts, plan):
        if each.promise_id is None:
            new[each.order_id, way.leg.ship_on, way.lane.service].append((each, way))
        else:
            moved.append((each, way))
    at = now(session)
    back = given_back(facts, plan)
    before = _told_before(session, [each.promise_id or 0 for each, _ in moved])
    stays = _told_before(session, [each.promise_id or 0 for each in back])
    moves = [Move(each.promise_id or 0, way, _minutes(facts, each, way)) for each, way in moved]
    move_promises(session, moves)
    events = []
    for each, way in moved:
        key = each.promise_id or 0
        plants = _plants_of_promise(session, each)
        detail = {
            "reason": _said(told, each),
            "before": {**before[key], **plants.before},
            **told_of_way(way),
            **plants.after,
        }
        events.append(Event(key, EventKind.RE_DATED, actor, detail))
    for each in back:
        key = each.promise_id or 0
        plants, days = _plants_of_promise(session, each), stays[key]
        said = {"reason": told.plants[each.key], "before": {**days, **plants.before}, **days}
        events.append(Event(key, EventKind.RE_DATED, actor, {**said, **plants.after}))
    write_events(session, events, at)
    rows = [_one_parcel(session, facts, parts, told, actor) for parts in new.values()]
    ids = write_promises(session, rows, at)
    # What was written apart from the session's rows must be read again where it is read again.
    session.flush()
    session.expire_all()
    return {
        (each.reference, each.part): key
        for key, parts in zip(ids, new.values(), strict=True)
        for each, _ in parts
    }


class _Plants(NamedTuple):
    """What is said of a promise's plants, before and after: nothing where none stand in."""

    before: Mapping[str, object]
    after: Mapping[str, object]


def _plants_of_promise(session: Session, each: Waiting) -> _Plants:
    """The lines of the promise are those of the parcel from now on; what is told of both."""
    promise = read_promise(session, each.promise_id or 0) if each.changed or each.sends else None
    if promise is None:
        return _Plants({}, {})
    before = {PLANTS: plants_in(session, promise)}
    if each.changed:
        set_lines(session, promise, each.parcel)
    return _Plants(before, {PLANTS: plants_of_items(session, each.parcel.items)})


def _said(told: Told, each: Waiting) -> str:
    """Why it moves, which plants it gets, or both; else that another service takes it."""
    found = [told.reasons.get(each.promise_id or 0, ""), told.plants.get(each.key, "")]
    return " ".join(text for text in found if text) or _OTHER_SERVICE


def _one_parcel(
    session: Session, facts: Facts, parts: Sequence[tuple[Waiting, Way]], told: Told, actor: str
) -> NewPromise:
    """The promise of parts of one order that leave together; as sure as the least sure of them."""
    each, way = min(parts, key=lambda part: part[1].probability)
    items = [item for part, _ in parts for item in part.parcel.items]
    parcel = each.parcel if len(parts) == 1 else parcel_of(facts.desk.site, items)
    # Together they take what they are on the site's sheet, and what the parts take for the day.
    more = sum(_minutes(facts, one, of_one) - one.parcel.minutes for one, of_one in parts)
    minutes = parcel.minutes + max(0, more)
    words = " ".join(told.plants[part.key] for part, _ in parts if part.key in told.plants)
    said = {"reason": words, PLANTS: plants_of_items(session, items)} if words else {}
    return NewPromise(each.order_id, way, parcel, None, actor, minutes, said)


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
