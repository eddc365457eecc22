"""Which heat or cold packs go into the parcels of a ship day?

Judged by the weather as it is known when this is asked, not when the day was promised: a pack that
opened a held day is left out where the forecast has turned mild, and put in where it has turned. It
is the cheapest that keeps the day within the site's risk; where none does, the lead decides. Where
a person has opened the day by hand, the lead has decided: that is said, with the chance that stands
all the same, and the pack goes in that does most against it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from sqlmodel import Session, select

from nursery.carrier import Zone
from nursery.database import now, site, today
from nursery.promising.basket import Limits
from nursery.promising.holds import ForecastError, Outlook, read_outlook
from nursery.promising.packs import Pack, hours_packed, listed_packs, openings, with_packs
from nursery.shed.journey import Trip
from nursery.travelling import Against
from nursery.weather_in.decisions import standing_decisions

_PAST_ARRIVAL = 3


@dataclass(frozen=True, slots=True)
class ChosenPacks:
    """The packs that go into each box of a parcel, and why; `says` is "" where none is needed.

    Of `boxes` boxes. Chances are those of heat and frost on the way without a pack, shares.
    `helpless` says that the way is over the risk and no pack brings it under; `opened` is then what
    a person decided of the day ("": nobody has), and `against` what the plants are in danger of.
    """

    packs: tuple[Pack, ...]
    heat_chance: float
    frost_chance: float
    says: str
    helpless: bool = False
    boxes: int = 1
    opened: str = ""
    against: tuple[Against, ...] = ()

    @property
    def each_g(self) -> int:
        """How many grams do the packs of one box weigh?"""
        return sum(pack.weight_g for pack in self.packs)

    @property
    def weight_g(self) -> int:
        """How many grams do the packs add to the parcel?"""
        return self.boxes * self.each_g

    @property
    def cost_cents(self) -> int:
        """What do the packs cost?"""
        return self.boxes * sum(pack.cost_cents for pack in self.packs)

    @property
    def minutes(self) -> float:
        """How long does it take to put them in?"""
        return self.boxes * sum(pack.minutes for pack in self.packs)

    def in_boxes(self, boxes: int) -> ChosenPacks:
        """The same where the parcel takes so many boxes: as many packs."""
        says = self.says
        if self.packs and not self.helpless:
            says = ", ".join(pack.words(boxes) for pack in self.packs)
        return replace(self, boxes=boxes, says=says)


@dataclass(frozen=True, slots=True)
class ParcelPacks(ChosenPacks):
    """The packs of one promised parcel, for the sheet."""

    promise_id: int = 0
    order_reference: str = ""


@dataclass(frozen=True, slots=True)
class _Goes:
    zone: str
    region: str


class PackChoice:
    """Which packs go into each parcel, by the weather as it is known now? Worked out once a way."""

    def __init__(self, session: Session, outlook: Outlook) -> None:
        self._outlook = outlook
        self._packs, self._risk = listed_packs(session), site(session).hold_risk
        self._decisions = standing_decisions(session, outlook.start)
        self._goes = {
            row.id: _Goes(row.name, row.holiday_region) for row in session.exec(select(Zone))
        }
        self._known: dict[tuple[Limits, Trip], ChosenPacks] = {}

    def of(self, limits: Limits, trip: Trip) -> ChosenPacks:
        """The packs of a parcel whose plants stand this, on this way."""
        key = (limits, trip)
        if key not in self._known:
            opened = self._opened(trip)
            self._known[key] = choose(self._outlook, trip, limits, self._packs, self._risk, opened)
        return self._known[key]

    def _opened(self, trip: Trip) -> str:
        """What did a person decide who opened its day by hand? "" where nobody did."""
        goes = self._goes[trip.zone_id]
        latest = next((one for one in self._decisions if one.covers(goes, trip.ship_on)), None)
        return latest.text if latest is not None and latest.opens else ""


def choose(
    outlook: Outlook,
    trip: Trip,
    limits: Limits,
    packs: Sequence[Pack],
    risk: float,
    opened: str = "",
) -> ChosenPacks:
    """Which packs keep this way within the risk? None where none are needed, or none help.

    `opened` is what a person decided who opened the day by hand: the packs are then those that do
    most, though they do not keep it within the risk.
    """
    heat, frost = _chances(outlook, trip, limits)
    chances = ((Against.HEAT, heat), (Against.FROST, frost))
    against = tuple(kind for kind, chance in chances if chance > risk)
    if not against:
        return ChosenPacks((), heat, frost, "")
    hours = hours_packed(trip.pack_on, trip.arrives_until)
    for some in openings(packs, against, hours):
        if max(_chances(outlook, trip, with_packs(limits, some))) <= risk:
            return ChosenPacks(some, heat, frost, ", ".join(str(pack) for pack in some))
    what = max(chances, key=lambda each: each[1])[0].value
    says = f"{max(heat, frost):.0%} chance of {what} on the way"
    if not opened:
        says = f"{says} and no pack helps: ask the lead"
        return ChosenPacks((), heat, frost, says, helpless=True, against=against)
    best, left = _best(outlook, trip, limits, packs, against, hours)
    put = ", ".join(str(pack) for pack in best)
    then = f", {left:.0%} with {put} a box" if best else "; no pack lowers it"
    says = f"{opened}. {says}{then}"
    return ChosenPacks(best, heat, frost, says, helpless=True, opened=opened, against=against)


def _best(
    outlook: Outlook,
    trip: Trip,
    limits: Limits,
    packs: Sequence[Pack],
    against: Sequence[Against],
    hours: float,
) -> tuple[tuple[Pack, ...], float]:
    """Which packs that last do most on a way that none makes safe, and what chance is left?

    () where none lets the plants stand more than without: beyond what it is trusted to, or too
    short. Of those that leave the same chance the one with the most degrees, then the cheapest.
    """
    kinds = [against, *([one] for one in against)] if len(against) > 1 else [against]
    found = []
    for some in (some for each in kinds for some in openings(packs, each, hours)):
        stand = with_packs(limits, some)
        gained = stand.heat_c - limits.heat_c + limits.frost_c - stand.frost_c
        if gained > 0:
            left = max(_chances(outlook, trip, stand))
            cost = sum(pack.cost_cents for pack in some)
            found.append((round(left, 3), -gained, cost, some))
    if not found:
        return (), 0.0
    left, _, _, best = min(found, key=lambda each: each[:3])
    return best, left


def _chances(outlook: Outlook, trip: Trip, limits: Limits) -> tuple[float, float]:
    return outlook.holds(trip.stations, limits, trip.ship_on, trip.arrives_until, trip.warmer_c)


def outlook_of(session: Session, trips: Collection[Trip]) -> Outlook:
    """What may the weather do on these ways, as it is known now?"""
    here, day = site(session), today(session)
    stations = {one for trip in trips for one in trip.stations}
    last = max((trip.arrives_until for trip in trips), default=day)
    start = min((trip.ship_on for trip in trips), default=day)
    start = min(day, start)
    days = (last - start).days + _PAST_ARRIVAL
    shelf = timedelta(hours=here.forecast_shelf_hours)
    error = ForecastError(here.forecast_error_c, here.forecast_drift_c)
    return read_outlook(session, stations, start, days, now(session), shelf, error)
