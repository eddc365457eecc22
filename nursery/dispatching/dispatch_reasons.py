"""Why does a promise get another day, and why does an order get none? In words for people."""

from collections import Counter
from datetime import date

from nursery.dispatching.dispatch_facts import Facts, Waiting, pool_key
from nursery.promising.ship_days import most_telling
from solver.dispatching.judge import cheapest_lots, plugs_by_day
from solver.dispatching.problem import Plan

_FOR_CUSTOMERS = {
    "heat": "It would be too hot for the plants on the way.",
    "frost": "It would be too cold for the plants on the way.",
    "days_in_box": "The plants would be on the way for too long.",
    "origin_closed": "The carrier does not collect parcels on that day.",
    "window": "The parcel would not arrive on the days that you asked for.",
    "past": "We could not send your parcel on the day that we promised.",
    "no_transit": "The carrier can no longer say when your parcel would arrive.",
    "no_calendar": "The carrier can no longer say when your parcel would arrive.",
    "uncertain": "We could no longer be sure that your parcel arrives in time.",
    "cut_off": "We could not send your parcel on the day that we promised.",
}
"""What a customer is told for each reason that closes a day (see `promising.ship_days`)."""

TOO_FEW = "There are not enough of your plants on the day that we promised."
TOO_MANY_PARCELS = "We have more parcels on that day than we can pack well."


class Reasons:
    """Why does this plan move or leave out an order?"""

    def __init__(self, facts: Facts, plan: Plan) -> None:
        self.facts = facts
        self._plan = plan
        self._wanted = plugs_by_day(facts.problem, plan)

    def moved(self, each: Waiting, kept: date) -> str:
        """Why can this promise not keep its day? One sentence that a customer understands."""
        if kept < self.facts.first_day:
            return _FOR_CUSTOMERS["past"]
        against = each.closed.get(kept, ())
        own = [why for why in against if why.service in ("", each.service)]
        reason = most_telling(own or against)  # what closes its service, not another one
        if reason is not None:
            return _FOR_CUSTOMERS.get(reason.code, "The day that we promised is closed.")
        return TOO_MANY_PARCELS if self._plugs_are_there(each, kept) else TOO_FEW

    def unshipped(self, each: Waiting) -> str:
        """What stands first in this order's way? For the lead."""
        if not each.services:
            return self._closed(each)
        first, last = min(each.services), max(each.services)
        if not any(self._plugs_are_there(each, day) for day in each.services):
            codes = ", ".join(self._lacking(each)) or "its plants"
            return f"too few plugs of {codes} on every open day from {first} to {last}"
        return f"other orders take its days from {first} to {last}"

    def _closed(self, each: Waiting) -> str:
        """The reason that closes most of the days ahead, and one day's own words for it.

        Of the days on which it would arrive as wanted, where there are such days.
        """
        days = [whys for _, whys in sorted(each.closed.items())]
        wanted = [whys for whys in days if all(why.code != "window" for why in whys)]
        ahead = [why for whys in wanted for why in whys]
        if all(why.code in ("origin_closed", "past", "cut_off") for why in ahead):
            ahead = [why for whys in days for why in whys]
        telling = [why for why in ahead if why.code not in ("origin_closed", "past", "cut_off")]
        counted = Counter(why.code for why in telling or ahead)
        if not counted:
            return "no carrier service goes there"
        code = counted.most_common(1)[0][0]
        text = next(why.text for why in telling or ahead if why.code == code)
        last = max(each.closed)
        return f"no day is open for it until {last}; most days for this: {text}"

    def _lacking(self, each: Waiting) -> list[str]:
        """The products whose plugs are too few on every one of its open days."""
        return [
            item.code
            for item in each.parcel.items
            if not any(
                self._pool_gives(item.pool_id, each.parcel.plugs[item.pool_id], each, day)
                for day in each.services
            )
        ]

    def _plugs_are_there(self, each: Waiting, day: date) -> bool:
        """Could its plugs leave on this day beside everything else that the plan sends?"""
        return all(
            self._pool_gives(pool, plugs, each, day) for pool, plugs in each.parcel.plugs.items()
        )

    def _pool_gives(self, pool_id: int, plugs: int, each: Waiting, day: date) -> bool:
        key = pool_key(pool_id)
        wanted = dict(self._wanted.get(key, {}))
        planned = self._plan.ships.get(each.key)
        if planned is not None:
            wanted[planned] -= plugs
        index = self.facts.index(day)
        wanted[index] = wanted.get(index, 0) + plugs
        return cheapest_lots(self.facts.problem.pool_of[key], wanted)[1] == 0
