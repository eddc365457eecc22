"""Which promised parcels of the next days leave in weather that closes their day, or nearly does?

In plain values: `nursery.week.warnings` makes its warnings of them. What is told is what quotes and
dispatch go by: the same chance, judged by the same risk.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from sqlmodel import Session, col, select

from nursery.database import now
from nursery.order import Promise
from nursery.promising.basket import limits_of, strictest
from nursery.promising.holds import EVE_DAYS
from nursery.promising.promise_rows import with_all
from nursery.promising.ship_days import Ask, Rules, Way, cautions_of, judge, read_rules
from nursery.promising.supply import holding
from nursery.week.shade_warnings import Told

HOLD_DAYS = 7
"""So many days before a parcel leaves somebody is told of the weather on its way."""
_NAMED = 4
_KEEPS = (
    "it keeps its day until the eve of packing, when the risk decides: look again on {:%a %d %b}"
)
_MOVES = "run the dispatch today for a new day, and tell the customer"
_CARES = (
    "nothing is moved for this: pack as the pick sheet says, load early, look at the forecast "
    "again in the morning"
)


@dataclass
class _Shared:
    """The promises of one ship day to one zone of which the same is said."""

    latest: date
    orders: list[str] = field(default_factory=list)
    plugs: int = 0
    products: dict[str, None] = field(default_factory=dict)

    def add(self, promise: Promise) -> None:
        self.orders.append(promise.order.reference)
        self.plugs += sum(line.plugs for line in promise.lines)
        self.products |= dict.fromkeys(line.product.code for line in promise.lines)

    @property
    def thing(self) -> str:
        return f"order {_some(self.orders)}"

    @property
    def stand_on_it(self) -> str:
        promises = "1 promise" if len(self.orders) == 1 else f"{len(self.orders)} promises"
        return f"{promises}, {self.plugs} plugs ({_some(sorted(self.products))})"


def holds_told(session: Session, day: date) -> Iterator[tuple[str, Told]]:
    """Heat ("heat") and frost ("frost") on the ways of promises: one for all that share it.

    Each says how many promises and plugs of which products stand on it, and by when to act.
    """
    rows = session.exec(
        select(Promise)
        .where(holding(now(session)), col(Promise.ship_on) >= day)
        .where(col(Promise.ship_on) <= day + timedelta(days=HOLD_DAYS))
        .order_by(col(Promise.ship_on), col(Promise.id))
        .options(*with_all())
    ).all()
    rules = read_rules(session, {promise.order.zone_id for promise in rows})
    shared: dict[tuple[str, str, str, date, str], _Shared] = {}
    for promise in rows:
        for code, text, what_to_do, latest in _said(rules, promise, day):
            key = (code, text, what_to_do, promise.ship_on, promise.order.zone.name)
            shared.setdefault(key, _Shared(latest)).add(promise)
    for (code, text, what_to_do, ship_on, zone), one in shared.items():
        said = f"leaves on {ship_on:%a %d %b} to {zone}: {text}; {one.stand_on_it}"
        yield code, Told(one.thing, said, what_to_do, one.latest)


def _some(names: Sequence[str]) -> str:
    """The first of them, and how many more."""
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more


def _said(rules: Rules, promise: Promise, day: date) -> Iterator[tuple[str, str, str, date]]:
    """(code, what is to be feared, what to do, by when) for one promise."""
    lanes = rules.lanes[promise.order.zone_id]
    lane = next((one for one in lanes if one.service_id == promise.service_id), None)
    if lane is None:
        return
    limits = strictest([limits_of(line.product) for line in promise.lines])
    way = judge(rules, lane, promise.ship_on, Ask(limits, 0))
    if not isinstance(way, Way):
        return
    eve = way.leg.pack_on - timedelta(days=EVE_DAYS)
    held = [why for why in way.reasons if why.code in ("heat", "frost")]
    for why in held:
        if why.kept:
            yield why.code, why.text, _KEEPS.format(eve), eve
        else:
            yield why.code, why.text, _MOVES, day
    if not held:
        for code, text in cautions_of(rules, way, limits):
            yield code, text, _CARES, eve
