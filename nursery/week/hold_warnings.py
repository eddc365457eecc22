"""Which promised parcels of the next days leave in weather that closes their day, or nearly does?

In plain values: `nursery.week.warnings` makes its warnings of them. What is told is what quotes and
dispatch go by: the same chance, judged by the same risk.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from sqlmodel import Session, col, select

from nursery.database import now
from nursery.order import Promise
from nursery.promising.basket import limits_of, strictest
from nursery.promising.ship_days import Ask, Rules, Way, cautions_of, judge, read_rules
from nursery.promising.supply import holding
from nursery.week.shade_warnings import Told

HOLD_DAYS = 7
"""So many days before a parcel leaves somebody is told of the weather on its way."""
_NAMED = 4
_KEEPS = "it keeps its day until the eve of packing, when the risk decides: look again then"
_MOVES = "run the dispatch for a new day, and tell the customer"
_CARES = "nothing is moved for this: load early, look at the forecast again in the morning"


def holds_told(session: Session, day: date) -> Iterator[tuple[str, Told]]:
    """Heat ("heat") and frost ("frost") on the ways of promises: one for all that share it."""
    rows = session.exec(
        select(Promise)
        .where(holding(now(session)), col(Promise.ship_on) >= day)
        .where(col(Promise.ship_on) <= day + timedelta(days=HOLD_DAYS))
        .order_by(col(Promise.ship_on), col(Promise.id))
    ).all()
    rules = read_rules(session, {promise.order.zone_id for promise in rows})
    orders: dict[tuple[str, str, str, date], list[str]] = {}
    for promise in rows:
        for said in _said(rules, promise):
            orders.setdefault((*said, promise.ship_on), []).append(promise.order.reference)
    for (code, text, what_to_do, ship_on), references in orders.items():
        more = f" and {len(references) - _NAMED} more" if len(references) > _NAMED else ""
        thing = f"order {', '.join(references[:_NAMED])}{more}"
        yield code, Told(thing, f"leaves on {ship_on:%a %d %b}: {text}", what_to_do, ship_on)


def _said(rules: Rules, promise: Promise) -> Iterator[tuple[str, str, str]]:
    """(code, what is to be feared, what to do) for one promise."""
    lanes = rules.lanes[promise.order.zone_id]
    lane = next((one for one in lanes if one.service_id == promise.service_id), None)
    if lane is None:
        return
    limits = strictest([limits_of(line.product) for line in promise.lines])
    way = judge(rules, lane, promise.ship_on, Ask(limits, 0))
    if not isinstance(way, Way):
        return
    held = [why for why in way.reasons if why.code in ("heat", "frost")]
    for why in held:
        yield why.code, why.text, _KEEPS if why.kept else _MOVES
    if not held:
        for code, text in cautions_of(rules, way, limits):
            yield code, text, _CARES
