"""Why did an order get no day? Counted day by day, beside what the weather turned out to be.

Each ship day is looked at on the last morning on which an order could still have been given it, by
the rules of quotes and dispatch. An order that ends without a day is in exactly one class:

- `open`: a day was open to it, and it was not given (plugs, minutes, the plan);
- `held_though_calm`: every day was closed, one or more of them by a hold which, as only hindsight
  tells, was not needed;
- `held_rightly`: days were held, and on each of them the limit was reached;
- `too_long`: plants would have been too long in the box on every day;
- `not_yet`: it is wanted for later, or nothing was collected in the days that were left.

Whether the holds were too careful is told by `held_days`: what was stated of the days that were
held from orders without one, in bins, and on how many of them the limit was reached.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

from sqlmodel import Session, col, select

from nursery.order import CustomerOrder, Promise
from nursery.promising.basket import limits_of, strictest
from nursery.promising.promise_rows import window_of
from nursery.promising.ship_days import Ask, Reason, Way, judge, read_rules

_BINS = (0.0, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)
_HELD = frozenset({"heat", "frost", "uncertain"})
_SOFT = frozenset({"packing_full"})
_AHEAD = 7


@dataclass(frozen=True)
class Looked:
    """A ship day as it was to one order: the codes that closed it, and the stated chance."""

    day: date
    codes: frozenset[str]
    chance: float


@dataclass
class Days:
    """The days that orders without one were looked at for, by order reference."""

    seen: dict[str, list[Looked]] = field(default_factory=lambda: defaultdict(list))

    def look(self, session: Session, today: date) -> None:
        """Which ship days can be given today for the last time, and what stands against them?"""
        promised = select(Promise.order_id)
        rows = session.exec(
            select(CustomerOrder).where(col(CustomerOrder.id).not_in(promised))
        ).all()
        rules = read_rules(session, {order.zone_id for order in rows})
        for order in rows:
            (lane,) = rules.lanes[order.zone_id]
            limits = strictest([limits_of(line.product) for line in order.lines])
            ask = Ask(limits, 0, window_of(order))
            for ahead in range(_AHEAD):
                day = today + timedelta(days=ahead)
                leg = rules.leg(lane, day)
                if not isinstance(leg, Reason) and leg.order_by.date() == today:
                    self.seen[order.reference].append(_looked(day, judge(rules, lane, day, ask)))

    def classes(
        self, groups: Mapping[str, str], over: Callable[[str, date], bool]
    ) -> dict[str, dict[str, int]]:
        """How many of these orders (with the group each is in) are in which class?"""
        found: dict[str, Counter[str]] = defaultdict(Counter)
        for reference, group in groups.items():
            found[self._class(reference, over)][group] += 1
        return {name: dict(sorted(many.items())) for name, many in sorted(found.items())}

    def _class(self, reference: str, over: Callable[[str, date], bool]) -> str:
        days = self.seen.get(reference, [])
        if any(not one.codes for one in days):
            return "open"
        held = [one for one in days if one.codes <= _HELD]
        if held:
            calm = any(not over(reference, one.day) for one in held)
            return "held_though_calm" if calm else "held_rightly"
        return "too_long" if any("days_in_box" in one.codes for one in days) else "not_yet"

    def held_days(
        self, references: Mapping[str, str], over: Callable[[str, date], bool]
    ) -> list[dict[str, Any]]:
        """What was stated of days that were held, and on how many was the limit reached?"""
        held = [
            (one.chance, over(reference, one.day))
            for reference in references
            for one in self.seen.get(reference, [])
            if one.codes and one.codes <= _HELD
        ]
        lines = []
        for low, high in pairwise(_BINS):
            inside = [one for one in held if low <= one[0] < high + (high == 1.0)]
            if inside:
                stated = sum(chance for chance, _ in inside) / len(inside)
                came = sum(came for _, came in inside) / len(inside)
                lines.append(
                    {
                        "bin": [low, high],
                        "days": len(inside),
                        "stated": round(stated, 3),
                        "came": round(came, 3),
                    }
                )
        return lines


def _looked(day: date, found: Way | tuple[Reason, ...]) -> Looked:
    reasons = found.reasons if isinstance(found, Way) else found
    codes = frozenset(why.code for why in reasons) - _SOFT
    if not isinstance(found, Way):
        return Looked(day, codes, 1.0)
    return Looked(day, codes, 1 - (1 - found.heat_chance) * (1 - found.frost_chance))
