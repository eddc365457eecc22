"""On which days may a parcel leave for a zone, when does it arrive, and what stands against it?

A day is open when every rule says yes; each rule that says no gives its reason. That nothing leaves
late in a week is nowhere written down: closed days at the destination count as days in the box.

How sure a way is: the share of parcels that arrive by `arrives_until` (the transit table of service
and zone), times the chance of no heat hold and no frost hold from the ship day to the day after
that, at origin, on the way and at the destination. The two are taken as independent. A day is open
only if each hold keeps to the site's risk and the product reaches the site's floor; the chance of
plugs that still grow is multiplied in by `promising.desk`, under the same floor.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from itertools import accumulate

from sqlmodel import Session, col, select

from nursery.calendars import days_in_the_box
from nursery.errors import Fault
from nursery.order import ShipDay
from nursery.promising.basket import ANY_DAY, Limits, Window
from nursery.promising.borders import ASK_FIRST, Border, read_borders
from nursery.promising.facts import Facts, Moment, facts_of
from nursery.promising.hold_words import told_of_cautions, told_of_hold
from nursery.promising.holds import ForecastError, Holding, Outlook, read_outlook
from nursery.promising.lanes import Lane, Leg, read_lanes
from nursery.promising.minutes_taken import minutes_taken
from nursery.promising.packs import (
    Pack,
    hours_packed,
    listed_packs,
    openings,
    pack_kinds,
    with_packs,
)
from nursery.weather_in.decisions import Decision, standing_decisions

_BEYOND = 45
"""Days past the last ship day for which the weather is read: a parcel is still under way then."""
_MOST_JUDGED = 8_192
"""Arrivals kept for a zone: those of all ship days for some twenty kinds of plants."""

_TELLING = (
    "past",
    "window",
    "by_hand",
    "heat",
    "frost",
    "days_in_box",
    "no_transit",
    "no_calendar",
    "uncertain",
    "horizon",
    "cut_off",
    "origin_closed",
)
"""Of several reasons that close a day, the first of these says most; one that is not here, more."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why may nothing leave on this day? `code` is stable for programs, `text` for people.

    Codes: `past`, `zone_blocked`, `origin_closed`, `cut_off`, `no_calendar`, `no_transit`,
    `days_in_box`, `heat`, `frost`, `by_hand` (a person closed it), `uncertain`, `packing_full`,
    `no_plugs`, `window`, `horizon`. `service` is "" when it holds for every service. `kept` says
    that a promise which has the day already keeps it: too warm to be given anew, not warm enough to
    be moved.
    """

    code: str
    text: str
    service: str = ""
    kept: bool = False


@dataclass(frozen=True, slots=True)
class Way:
    """A ship day judged for one parcel: open if there are no reasons against it.

    `probability` is the chance that it arrives from `arrives_from` to `arrives_until` with no hold
    on the way; `heat_chance` and `frost_chance` are those of a hold. With `packs` in the box, which
    open the day, all three reckon with them.
    """

    lane: Lane
    leg: Leg
    arrives_from: date
    arrives_until: date
    probability: float
    heat_chance: float
    frost_chance: float
    reasons: tuple[Reason, ...]
    packs: tuple[Pack, ...] = ()

    @property
    def is_open(self) -> bool:
        """May the parcel leave that day?"""
        return not self.reasons

    @property
    def days_in_box(self) -> int:
        """How many days are the plants in the box at most, closed days counted?"""
        return days_in_the_box(self.leg.pack_on, self.arrives_until)

    @property
    def pack_minutes(self) -> int:
        """How many more minutes does packing take because of the packs? Whole, upwards."""
        return math.ceil(sum(pack.minutes for pack in self.packs) - 1e-9) if self.packs else 0


@dataclass(frozen=True, slots=True)
class Ask:
    """What is to be sent: the limits of its plants, minutes to pack it, when it may arrive."""

    limits: Limits
    minutes: int
    window: Window = ANY_DAY


@dataclass(frozen=True)
class Rules:
    """Everything that opens and closes ship days, read at one moment."""

    now: datetime
    today: date
    last_day: date
    floor: float
    hold_risk: float
    lanes: Mapping[int, tuple[Lane, ...]]
    outlook: Outlook
    decisions: tuple[Decision, ...]
    room: Mapping[date, int]
    usual_room: int
    taken: Mapping[date, int]
    packs: tuple[Pack, ...] = ()
    borders: Mapping[int, Border] = field(default_factory=dict)
    _legs: dict[tuple[int, int, date], Leg | Reason] = field(
        default_factory=dict, compare=False, repr=False
    )
    _arrivals: dict[tuple[int, int, date, Limits], tuple[Way, tuple[Reason, ...]]] = field(
        default_factory=dict, compare=False, repr=False
    )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What could not be judged, and by whom must it be?"""
        lanes = [lane for each in self.lanes.values() for lane in each]
        blind = sorted({place for lane in lanes for place in lane.without_weather})
        said = [each.text for each in self.decisions if each.last_day >= self.today]
        for border in self.borders.values():
            said += [f"{border.zone} is {one.text}. {ASK_FIRST}" for one in border.openings]
        return tuple(
            [f"{place} has no climate station: a person must judge its weather" for place in blind]
            + self.outlook.without_forecast()
            + said
        )

    def room_left(self, day: date) -> int:
        """How many packing minutes has this ship day left? Below 0 if it is overbooked."""
        return self.room.get(day, self.usual_room) - self.taken.get(day, 0)

    def leg(self, lane: Lane, day: date) -> Leg | Reason:
        """What would leaving on this day mean? A reason where no calendar can tell."""
        key = (lane.service_id, lane.zone_id, day)
        if key not in self._legs:
            try:
                self._legs[key] = lane.leg(day)
            except Fault as missing:
                text = f"{missing.thing}: {missing.rule}"
                self._legs[key] = Reason("no_calendar", text, lane.service)
        return self._legs[key]

    def arrival(self, lane: Lane, leg: Leg, limits: Limits) -> tuple[Way, tuple[Reason, ...]]:
        """When do plants with these limits arrive, and what stands against it but room and time?

        Worked out once: neither the hour nor what is promised meanwhile plays a part.
        """
        key = (lane.service_id, lane.zone_id, leg.ship_on, limits)
        found = self._arrivals.get(key)
        if found is None:
            way, against = _with_packs(self, limits, *_arrival(self, lane, leg, limits))
            closed = (Reason("origin_closed", leg.closed, lane.service),) if leg.closed else ()
            closed = (*_blocked(self, way), *closed)
            if len(self._arrivals) >= _MOST_JUDGED * len(self.lanes):
                self._arrivals.clear()
            found = self._arrivals[key] = (way, (*closed, *against))
        return found


def judge(rules: Rules, lane: Lane, day: date, ask: Ask) -> Way | tuple[Reason, ...]:
    """May this parcel leave on this day by this lane?

    A `Way`, open or closed by its reasons; bare reasons where no arrival can be worked out.
    """
    if not lane.transit:
        return (_no_transit(lane),)
    if day < rules.today:
        return (Reason("past", "the day is over"),)  # nobody knows the weather that it had
    leg = rules.leg(lane, day)
    if isinstance(leg, Reason):
        return (leg,)
    way, against = rules.arrival(lane, leg, ask.limits)
    reasons = [
        *_too_late(rules, lane, leg),
        *against,
        *_packing_full(rules, way, ask.minutes),
        *outside_window(way, ask.window),
    ]
    return replace(way, reasons=tuple(reasons)) if reasons else way


def most_telling(reasons: Iterable[Reason]) -> Reason | None:
    """Which of the reasons that close a day says most? None of none."""
    rank = {code: at for at, code in enumerate(_TELLING)}
    return min(reasons, key=lambda why: rank.get(why.code, -1), default=None)


def cautions_of(rules: Rules, way: Way, limits: Limits) -> list[tuple[str, str]]:
    """Which forecasts on this way come near its plants' limits? See `hold_words`."""
    return told_of_cautions(
        rules.outlook,
        way.lane.stations,
        way.lane.warmer_c,
        with_packs(limits, way.packs),
        way.leg.ship_on,
        way.arrives_until + timedelta(days=1),
    )


def _arrival(rules: Rules, lane: Lane, leg: Leg, limits: Limits) -> tuple[Way, list[Reason]]:
    """The earliest last day of arrival that is sure and soon enough, or why there is none."""
    shares = list(accumulate(share for _, share in leg.chances))
    by_hand = decided(rules, lane, leg.ship_on)
    first = next((i for i, share in enumerate(shares) if share >= rules.floor - 1e-9), None)
    if first is None:
        last = len(shares) - 1
        way = _way(rules, lane, leg, last, shares[last], limits, by_hand)
        return way, [_no_transit(lane)]
    tried: tuple[Way, list[Reason]] | None = None
    for until in range(first, len(shares)):
        way = _way(rules, lane, leg, until, shares[until], limits, by_hand)
        against = [*_too_long(way, limits), *_held(rules, way, limits, by_hand)]
        if not against and way.probability >= rules.floor - 1e-9:
            return way, []
        tried = tried or (way, against or [_uncertain(rules, way)])
        if way.days_in_box > limits.days_in_box:
            break
    assert tried is not None
    return tried


def _with_packs(
    rules: Rules, limits: Limits, way: Way, against: list[Reason]
) -> tuple[Way, list[Reason]]:
    """The same, with the cheapest packs that open a day which is held; else as it was."""
    for packs in openings(rules.packs, pack_kinds([each.code for each in against]), hours=0):
        better, still = _arrival(rules, way.lane, way.leg, with_packs(limits, packs))
        hours = hours_packed(way.leg.pack_on, better.arrives_until)
        if not still and min(pack.hours for pack in packs) >= hours:
            return replace(better, packs=packs), []
    return way, against


def _way(
    rules: Rules,
    lane: Lane,
    leg: Leg,
    until: int,
    arrived: float,
    limits: Limits,
    by_hand: Decision | None,
) -> Way:
    arrives_until = leg.chances[until][0]
    if by_hand is None:
        heat, frost = rules.outlook.holds(
            lane.stations, limits, leg.ship_on, arrives_until, lane.warmer_c
        )
    else:
        heat = frost = 0.0  # a person has judged the weather
    return Way(
        lane=lane,
        leg=leg,
        arrives_from=leg.chances[0][0],
        arrives_until=arrives_until,
        probability=min(1.0, arrived) * (1 - heat) * (1 - frost),
        heat_chance=heat,
        frost_chance=frost,
        reasons=(),
    )


def _blocked(rules: Rules, way: Way) -> tuple[Reason, ...]:
    """Is its zone blocked, and not opened by hand for these days?"""
    border = rules.borders.get(way.lane.zone_id)
    said = border.against(way.leg.ship_on, way.arrives_until) if border else ""
    return (Reason("zone_blocked", said),) if said else ()


def _too_late(rules: Rules, lane: Lane, leg: Leg) -> list[Reason]:
    if leg.ship_on > rules.last_day:
        return [Reason("horizon", f"nothing is promised after {rules.last_day}")]
    if rules.now.timestamp() > leg.order_by.timestamp():
        text = f"orders had to be in by {leg.order_by:%Y-%m-%d %H:%M}"
        return [Reason("cut_off", text, lane.service)]
    return []


def _too_long(way: Way, limits: Limits) -> list[Reason]:
    if way.days_in_box <= limits.days_in_box:
        return []
    text = (
        f"{way.days_in_box} days in the box (packed {way.leg.pack_on}, with the customer by "
        f"{way.arrives_until}), its plants stand {limits.days_in_box}"
    )
    return [Reason("days_in_box", text, way.lane.service)]


def _held(rules: Rules, way: Way, limits: Limits, by_hand: Decision | None) -> list[Reason]:
    """Is there a heat hold or a frost hold, or has a person decided the day?"""
    lane, ship_on = way.lane, way.leg.ship_on
    if by_hand is not None:
        return [] if by_hand.opens else [Reason("by_hand", by_hand.text, lane.service)]
    to_packing = (way.leg.pack_on - rules.today).days

    def reason(code: str, chance: float) -> list[Reason]:
        holding = Holding(chance)
        if not holding.closes(rules.hold_risk):
            return []
        last = way.arrives_until + timedelta(days=1)
        text = told_of_hold(
            rules.outlook, lane, limits, holding, rules.hold_risk, ship_on, last, code == "heat"
        )
        kept = not holding.moves(rules.hold_risk, to_packing)
        return [Reason(code, text, lane.service, kept)]

    return [*reason("heat", way.heat_chance), *reason("frost", way.frost_chance)]


def decided(rules: Rules, lane: Lane, ship_on: date) -> Decision | None:
    """What has a person decided for this ship day to this zone? The latest decision counts."""
    return next((one for one in rules.decisions if one.covers(lane, ship_on)), None)


def _no_transit(lane: Lane) -> Reason:
    known = sum(share for _, share in lane.transit)
    text = f"transit times to {lane.zone} are known for {known:.1%} of parcels only"
    return Reason("no_transit", text, lane.service)


def _uncertain(rules: Rules, way: Way) -> Reason:
    text = (
        f"would be kept with a chance of {way.probability:.1%} (by {way.arrives_until}, no hold), "
        f"at least {rules.floor:.1%} is asked"
    )
    return Reason("uncertain", text, way.lane.service)


def _packing_full(rules: Rules, way: Way, asked: int) -> list[Reason]:
    """Packs take minutes by the service that needs them; a parcel that asks for none has room."""
    minutes = asked and asked + way.pack_minutes
    left = rules.room_left(way.leg.ship_on)
    if minutes <= left:
        return []
    minutes_left = "1 packing minute" if left == 1 else f"{max(0, left)} packing minutes"
    text = f"{minutes_left} left, {minutes} needed"
    return [Reason("packing_full", text, way.lane.service if way.packs else "")]


def outside_window(way: Way, window: Window) -> list[Reason]:
    """Does it arrive before or after the days that the customer wants?"""
    early = window.not_before is not None and way.arrives_from < window.not_before
    late = window.not_after is not None and way.arrives_until > window.not_after
    if not early and not late:
        return []
    wished = f"not before {window.not_before}" if early else f"not after {window.not_after}"
    text = f"arrives {way.arrives_from} to {way.arrives_until}, wanted {wished}"
    return [Reason("window", text, way.lane.service)]


def read_rules(
    session: Session,
    zone_ids: Iterable[int],
    last_day: date | None = None,
    without: int | None = None,
) -> Rules:
    """Which rules open and close the ship days to these zones, as of now?

    The weather is read up to `last_day` or the site's horizon, whichever is later.
    `without` leaves one promise's packing minutes out.
    """
    moment, facts = facts_of(session)
    return rules_at(session, moment, facts, zone_ids, last_day, without)


def rules_at(
    session: Session,
    moment: Moment,
    facts: Facts,
    zone_ids: Iterable[int],
    last_day: date | None = None,
    without: int | None = None,
) -> Rules:
    """As `read_rules`, at a moment already read; what the facts alone decide is kept with them."""
    zones = sorted(set(zone_ids))
    if len(zones) == 1 and (last_day is None or last_day <= _horizon(facts)):
        standing = facts.part(
            ("rules", zones[0]), lambda: _standing_rules(session, moment, facts, zones, last_day)
        )
    else:
        standing = _standing_rules(session, moment, facts, zones, last_day)
    taken = minutes_taken(session, moment, facts, without)
    return replace(standing, now=moment.at, taken=taken)


def _horizon(facts: Facts) -> date:
    return facts.today + timedelta(days=facts.site.horizon_days)


def _standing_rules(
    session: Session, moment: Moment, facts: Facts, zones: list[int], last_day: date | None
) -> Rules:
    """The rules with no minutes taken."""
    here, today, horizon = facts.site, facts.today, _horizon(facts)
    lanes = read_lanes(session, zones)
    stations = {one for each in lanes.values() for lane in each for one in lane.stations}
    shelf = timedelta(hours=here.forecast_shelf_hours)
    error = ForecastError(here.forecast_error_c, here.forecast_drift_c)
    span = (max(last_day or horizon, horizon) - today).days + _BEYOND
    days = select(col(ShipDay.day), col(ShipDay.minutes)).where(col(ShipDay.day) >= today)
    return Rules(
        now=moment.at,
        today=today,
        last_day=horizon,
        floor=here.confidence_floor,
        hold_risk=here.hold_risk,
        lanes=lanes,
        outlook=read_outlook(session, stations, today, span, moment.at, shelf, error),
        decisions=standing_decisions(session, today),
        room={day: minutes for day, minutes in session.exec(days) if minutes is not None},
        usual_room=here.packing_minutes_a_day,
        taken={},
        packs=listed_packs(session),
        borders=read_borders(session, zones, today),
    )
