"""On which days can this basket leave for this address, and when will it arrive?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session

from nursery.errors import Refusal, Refused
from nursery.promising.alternatives import (
    Others,
    bought_in_for,
    fewer_plugs,
    in_parts,
    substitutes_for,
    surer_day,
    ways_without_plugs,
    with_others,
)
from nursery.promising.basket import (
    ANY_DAY,
    NO_CONSENT,
    Basket,
    Consent,
    Destination,
    Window,
    wrong_window,
)
from nursery.promising.catalogue import catalogue_of
from nursery.promising.desk import (
    ClosedDay,
    Desk,
    OtherOptions,
    ShipOption,
    kept_desk,
    no_service,
    open_desk,
    option_of,
    options,
)
from nursery.promising.facts import facts_of
from nursery.promising.ship_days import Rules

__all__ = [
    "ClosedDay",
    "Desk",
    "OtherOptions",
    "Quote",
    "ShipOption",
    "no_service",
    "open_desk",
    "option_of",
    "options",
    "quote",
]


@dataclass(frozen=True, slots=True)
class Quote:
    """What can be promised now: whole-basket options, best first, and why other days are closed.

    Best is the earliest last day of arrival, then the lower price. `surer` is a later option that
    fails at most half as often as the best. `parts` is filled only where the customer may be sent
    parts and they would have something earlier: one option a part, to be reserved one after
    another under the same order reference. `fewer` is what can leave sooner with fewer plugs, and
    `bought_in` the whole basket with plants that were bought in, `substituted` with other plants in
    place of those that lack plugs, where the customer agreed to that: all three only where they
    arrive before the best, or there is none.
    `cautions` say what could not be judged. Nothing is kept by a quote.
    """

    zone: str
    holiday_region: str
    first_day: date
    last_day: date
    options: tuple[ShipOption, ...]
    closed_days: tuple[ClosedDay, ...]
    parts: tuple[ShipOption, ...] = ()
    cautions: tuple[str, ...] = ()
    surer: ShipOption | None = None
    fewer: ShipOption | None = None
    substituted: ShipOption | None = None
    bought_in: ShipOption | None = None


def quote(
    session: Session,
    basket: Basket,
    destination: Destination,
    first_day: date | None = None,
    last_day: date | None = None,
    window: Window = ANY_DAY,
    consent: Consent = NO_CONSENT,
    most: int | None = None,
) -> Quote:
    """On which days from `first_day` to `last_day` can this basket leave for this address?

    Today and the site's horizon where they are None. With `most`, no more than so many options,
    and closed days only as far as had to be looked. A session that only reads answers from what
    the process keeps, where that still holds. Raises Refused: `unknown_product`, `bad_quantity`,
    `no_plants`, `no_postcode`, `no_zone`, `zone_blocked`, `no_service`, `no_calendar`, `bad_days`,
    `bad_window`, `bad_number`.
    """
    if most is not None and most < 1:
        message = f"At least one option must be asked for, got {most}"
        raise Refused(Refusal("bad_number", message, "most", "ask for one or more"))
    wrong = wrong_window(window)
    if wrong is not None:
        raise Refused(wrong)
    moment, facts = facts_of(session)
    catalogue = catalogue_of(session, facts)
    parcel = catalogue.parcel(session, facts, basket)
    place = catalogue.place(session, destination)
    desk = kept_desk(session, moment, facts, place.zone_id, parcel.plugs)
    if not desk.rules.lanes[place.zone_id]:
        raise Refused(no_service(place))
    days = _days(desk.rules, first_day, last_day)
    found, closed = options(desk, place.zone_id, parcel, window, days, most)
    _refuse_without_calendar(closed, days)
    best = found[0] if found else None
    lacking = ways_without_plugs(desk, place.zone_id, parcel, window, closed, best)

    def sooner(others: Others) -> ShipOption | None:
        return with_others(session, moment, facts, desk, lacking, parcel, window, best, others)

    return Quote(
        zone=place.name,
        holiday_region=place.holiday_region,
        first_day=days[0],
        last_day=days[-1],
        options=found,
        closed_days=closed,
        parts=in_parts(desk, place.zone_id, parcel, window, days, best)
        if consent.may_split
        else (),
        cautions=desk.rules.cautions,
        surer=surer_day(found),
        fewer=fewer_plugs(desk, lacking, parcel, window, best),
        substituted=sooner(substitutes_for(catalogue, parcel)) if consent.may_substitute else None,
        bought_in=sooner(bought_in_for(catalogue, parcel)) if consent.bought_in else None,
    )


def _days(rules: Rules, first_day: date | None, last_day: date | None) -> list[date]:
    if first_day is not None and last_day is not None and first_day > last_day:
        message = f"The first ship day asked for ({first_day}) is after the last ({last_day})"
        raise Refused(Refusal("bad_days", message, "from", "swap them, or leave one out"))
    first = max(first_day or rules.today, rules.today)
    last = min(last_day or rules.last_day, rules.last_day)
    if last < first:
        asked, field = (first_day, "from") if first > rules.last_day else (last_day, "until")
        message = f"Ship days are quoted from {rules.today} to {rules.last_day}, not for {asked}"
        raise Refused(Refusal("bad_days", message, field, "ask for days in between"))
    return [first + timedelta(days=i) for i in range((last - first).days + 1)]


def _refuse_without_calendar(closed: Sequence[ClosedDay], days: Sequence[date]) -> None:
    unknown = [day for day in closed if any(why.code == "no_calendar" for why in day.reasons)]
    if len(unknown) == len(days):
        text = next(why.text for why in unknown[0].reasons if why.code == "no_calendar")
        raise Refused(Refusal("no_calendar", text, "from", "choose days with a calendar"))
