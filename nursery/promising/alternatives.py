"""What else could a customer have: surer, sooner in parts, with fewer plugs, with other plants?

None of it is ever chosen for the customer. Parts, other plants and plants that were bought in are
worked out only for those who agreed to them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TypeAlias

from sqlmodel import Session

from nursery.promising.basket import Item, Parcel, Window, parcel_of
from nursery.promising.catalogue import Catalogue, so_many
from nursery.promising.desk import ClosedDay, Desk, ShipOption, option_of, options
from nursery.promising.facts import Facts, Moment
from nursery.promising.ship_days import Ask, Way, judge
from nursery.promising.supply import kept_supply

MOST_DAYS = 10
"""Days on which fewer plugs or other plants are looked for: the first on which plugs alone lack."""


def surer_day(found: Sequence[ShipOption]) -> ShipOption | None:
    """Which of these options (best first) is the first that fails at most half as often?

    None where none does, or the best cannot fail.
    """
    if not found:
        return None
    best = found[0]
    enough = 1 - (1 - best.probability) / 2
    later = (each for each in found[1:] if each.ship_on > best.ship_on)
    return next((o for o in later if o.probability >= enough > best.probability), None)


def in_parts(
    desk: Desk,
    zone_id: int,
    parcel: Parcel,
    window: Window,
    days: Sequence[date],
    best: ShipOption | None,
) -> tuple[ShipOption, ...]:
    """In which parts could it leave so that something arrives before the best whole basket?"""
    parts = _parts(desk, zone_id, parcel, window, days)
    first = min((part.arrives_until for part in parts), default=None)
    if first is None or (best is not None and first >= best.arrives_until):
        return ()
    return parts


def _parts(
    desk: Desk, zone_id: int, parcel: Parcel, window: Window, days: Sequence[date]
) -> tuple[ShipOption, ...]:
    """Each product at its own best, those of one day and service together; none if one has none.

    After each part the desk is asked again, since parts may share a pool and a day.
    """
    groups: dict[tuple[date, str], list[Item]] = {}
    for item in parcel.items:
        best, _ = options(desk, zone_id, parcel_of(desk.site, [item]), window, days, most=1)
        if not best:
            return ()
        groups.setdefault((best[0].ship_on, best[0].service), []).append(item)
    if len(groups) < 2:
        return ()
    found: list[ShipOption] = []
    for (day, service), items in sorted(groups.items(), key=lambda group: group[0]):
        part = parcel_of(desk.site, items)
        lane = next(lane for lane in desk.rules.lanes[zone_id] if lane.service == service)
        way = desk.way(lane, day, part, window)
        if not isinstance(way, Way) or not way.is_open:
            return ()
        found.append(option_of(desk, way, part))
        desk = desk.after(way, part)
    return tuple(found)


def ways_without_plugs(
    desk: Desk,
    zone_id: int,
    parcel: Parcel,
    window: Window,
    closed: Sequence[ClosedDay],
    best: ShipOption | None,
) -> list[Way]:
    """By which ways would it arrive sooner than the best, if only there were plugs enough?

    Those of the first `MOST_DAYS` closed days on which nothing but plugs stands against it.
    """
    ask, found, days = Ask(parcel.limits, parcel.minutes, window), [], 0
    for each in closed:
        if days == MOST_DAYS or (best is not None and each.day >= best.arrives_until):
            break
        if all(why.code != "no_plugs" for why in each.reasons):
            continue
        judged = [judge(desk.rules, lane, each.day, ask) for lane in desk.rules.lanes[zone_id]]
        ways = [way for way in judged if isinstance(way, Way) and way.is_open]
        found += ways
        days += bool(ways)
    return found


def fewer_plugs(
    desk: Desk, ways: Sequence[Way], parcel: Parcel, window: Window, best: ShipOption | None
) -> ShipOption | None:
    """What could leave sooner if the customer took fewer? Most plugs first, then the earliest.

    `ways` are those that lack plugs alone. Whole products only; where several products share
    a pool, those first in the books come first.
    """
    found: list[tuple[int, ShipOption]] = []
    for way in ways:
        less = _as_many_as_there_are(desk, way, parcel)
        option = _sooner(desk, way, less, window, best) if less is not None else None
        if less is not None and option is not None:
            found.append((sum(item.plugs for item in less.items), option))
    most = max(found, key=lambda each: (each[0], -each[1].arrives_until.toordinal()), default=None)
    return None if most is None else most[1]


Others: TypeAlias = Mapping[str, Sequence[Item]]
"""What may be sent for one of each product that lacks plugs, by its code; best first."""


def bought_in_for(catalogue: Catalogue, parcel: Parcel) -> Others:
    """The same products, bought in: for customers who agreed to that."""
    kinds = [catalogue.kinds.get(item.code) for item in parcel.items]
    return {k.item.code: [k.bought_in] for k in kinds if k is not None and k.bought_in is not None}


def substitutes_for(catalogue: Catalogue, parcel: Parcel) -> Others:
    """What the nursery says may stand in for these products, and is not in the basket already."""
    taken = {item.product_id for item in parcel.items}
    return {
        item.code: [other for other in kind.substitutes if other.product_id not in taken]
        for item in parcel.items
        for kind in [catalogue.kinds.get(item.code)]
        if kind is not None
    }


def with_others(
    session: Session,
    moment: Moment,
    facts: Facts,
    desk: Desk,
    ways: Sequence[Way],
    parcel: Parcel,
    window: Window,
    best: ShipOption | None,
    others: Others,
) -> ShipOption | None:
    """What could leave sooner with `others` in place of what lacks plugs?

    Its lines name what would be sent, its notes what is other than ordered. Ask only for customers
    who agreed to it.
    """
    pools = {other.pool_id for each in others.values() for other in each}
    if not ways or not pools:
        return None
    desk = replace(desk, pools={**kept_supply(session, moment, facts, pools), **desk.pools})
    for way in ways:
        changed = instead(desk, way, parcel, others)
        option = _sooner(desk, way, changed, window, best) if changed is not None else None
        if option is not None:
            return option
    return None


def _sooner(
    desk: Desk, way: Way, parcel: Parcel, window: Window, best: ShipOption | None
) -> ShipOption | None:
    """This parcel by that lane and day, if it is open for it and arrives before the best."""
    found = desk.way(way.lane, way.leg.ship_on, parcel, window)
    if not isinstance(found, Way) or not found.is_open:
        return None
    if best is not None and found.arrives_until >= best.arrives_until:
        return None
    return option_of(desk, found, parcel)


def _as_many_as_there_are(desk: Desk, way: Way, parcel: Parcel) -> Parcel | None:
    left = {pool: desk.left(pool, way) for pool in parcel.plugs}
    items = []
    for item in parcel.items:
        quantity = min(item.quantity, left[item.pool_id] // (item.plugs // item.quantity))
        if quantity > 0:
            items.append(so_many(item, quantity))
            left[item.pool_id] -= items[-1].plugs
    return parcel_of(desk.site, items) if items else None


def instead(desk: Desk, way: Way, parcel: Parcel, others: Others) -> Parcel | None:
    """The parcel with others in place of what lacks plugs by that way; None if something cannot be.

    A product is sent whole out of one pool. Those that lack plugs together give way in their order,
    as many as must.
    """
    taken: dict[int, int] = {}
    items: list[Item] = []
    for item in parcel.items:
        there = {other.product_id for other in items}
        choice = [item, *(so_many(one, item.quantity) for one in others.get(item.code, ()))]
        fits = (
            one
            for one in choice
            if one.product_id not in there
            and desk.left(one.pool_id, way) >= taken.get(one.pool_id, 0) + one.plugs
        )
        one = next(fits, None)
        if one is None:
            return None
        taken[one.pool_id] = taken.get(one.pool_id, 0) + one.plugs
        items.append(one)
    return parcel_of(desk.site, items)
