"""Which of the next days are open, to where and for what, how full are they, and what must move?

Read off the books as they stand: the days are judged as the dispatch judges them
(`dispatching.open_days`), nothing is solved and nothing is written. Packing minutes close no day
here; how many are taken is told beside it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, select

from nursery.carrier import Zone
from nursery.database import now
from nursery.dispatching.open_days import OpenDays
from nursery.errors import Fault
from nursery.order import Product, Promise, PromiseLine, State
from nursery.promising.basket import ANY_DAY, Limits, limits_of, strictest
from nursery.promising.promise_rows import window_of
from nursery.promising.ship_days import Reason, Rules, most_telling, read_rules
from nursery.promising.supply import holding

DAYS, MOST_DAYS = 14, 120
"""Days that are looked at unless said otherwise, and at most."""
_NO_DAY = Reason("closed", "no service goes on this day")
_IN_A_WORD = {
    "past": "over",
    "cut_off": "too late for today",
    "zone_blocked": "blocked",
    "heat": "heat",
    "frost": "frost",
    "by_hand": "closed by hand",
    "days_in_box": "too long in the box",
    "uncertain": "not sure enough",
    "no_transit": "no transit times",
    "no_calendar": "no calendar",
    "horizon": "too far ahead",
}
"""What closes a day, for a cell of a table; a closed origin is told by its reason, a holiday."""


@dataclass(frozen=True, slots=True)
class Shut:
    """What keeps plants at home on a day: `reason` in a word, `text` in full.

    `plants` says which, "all" where it concerns every crop; `crops` are their names.
    """

    reason: str
    text: str
    crops: tuple[str, ...]
    plants: str


@dataclass(frozen=True, slots=True)
class ZoneDay:
    """A day to one zone: open to every crop where nothing is `shut`, to some, or to none."""

    zone: str
    open_to_some: bool
    shut: tuple[Shut, ...]

    def __str__(self) -> str:
        if not self.shut:
            return "open"
        several = self.open_to_some or len(self.shut) > 1
        said = "; ".join(
            f"{one.reason} for {_crops(len(one.crops))}" if several else one.reason
            for one in self.shut
        )
        return f"open, but {said}" if self.open_to_some else said


@dataclass(frozen=True, slots=True)
class MustMove:
    """A promised order that cannot leave on its day as things stand, and why not."""

    reference: str
    ship_on: date
    reason: str
    text: str


@dataclass(frozen=True, slots=True)
class DayAhead:
    """A ship day: packing minutes `taken` of those there are, promised parcels and their plugs."""

    day: date
    minutes_taken: int
    minutes: int
    parcels: int
    plugs: int
    zones: tuple[ZoneDay, ...]
    must_move: tuple[MustMove, ...]

    @property
    def is_open(self) -> bool:
        """Does anything leave for anywhere?"""
        return any(zone.open_to_some or not zone.shut for zone in self.zones)

    @property
    def closed_by(self) -> str:
        """What closes the day to everywhere alike, such as a holiday here? "" if nothing."""
        said = {str(zone) for zone in self.zones}
        return said.pop() if len(said) == 1 and not self.is_open else ""

    @property
    def full(self) -> int:
        """How full is the shed, of 100? No more than that where it is overbooked."""
        return min(100, 100 * self.minutes_taken // self.minutes) if self.minutes else 100


@dataclass(frozen=True, slots=True)
class ShutDays:
    """Days in a row on which one thing keeps plants at home; `text` is that of the first of them.

    Several `zones` where all that is said of them is the same.
    """

    zones: tuple[str, ...]
    first: date
    last: date
    shut: Shut


def days_ahead(session: Session, days: int = DAYS) -> tuple[DayAhead, ...]:
    """What is each of the next days, from today?

    Crops are judged by the limits of their products, a promise by those of its plants and with the
    service it was given; one with picked plugs does not move. Raises Fault unless 1 <= days <= 120.
    """
    if not 1 <= days <= MOST_DAYS:
        raise Fault("Days ahead", f"must be 1 to {MOST_DAYS}", days, "ask for so many")
    zones = session.exec(select(Zone).order_by(col(Zone.name))).all()
    named = {zone.id or 0: zone.name for zone in zones}
    rules = read_rules(session, named)
    ahead = [rules.today + timedelta(days=i) for i in range(days)]
    promises = _promises(session, ahead[0], ahead[-1])
    judged = OpenDays(rules, ahead[0], days)
    kinds = _kinds(session)
    at = {
        zone: {limits: judged.of(zone, limits, ANY_DAY, None, "")[1] for limits in kinds}
        for zone in named
        if rules.lanes.get(zone)
    }
    return tuple(
        DayAhead(
            day=day,
            minutes_taken=rules.taken.get(day, 0),
            minutes=rules.room.get(day, rules.usual_room),
            parcels=len(promises.get(day, ())),
            plugs=sum(line.plugs for one in promises.get(day, ()) for line in one.lines),
            zones=tuple(
                _zone_day(
                    named[zone], {lane.service for lane in rules.lanes[zone]}, day, kinds, at[zone]
                )
                for zone in at
            ),
            must_move=tuple(_must_move(rules, judged, promises.get(day, ()))),
        )
        for day in ahead
    )


def shut_days(found: Iterable[DayAhead]) -> tuple[ShutDays, ...]:
    """What keeps plants at home, told once for the days in a row and the zones that share it?"""
    at: dict[tuple[str, str, str], list[tuple[date, Shut]]] = defaultdict(list)
    for each in found:
        for zone in each.zones:
            for one in zone.shut:
                at[zone.zone, one.reason, one.plants].append((each.day, one))
    runs: dict[tuple[date, date, Shut], list[str]] = defaultdict(list)
    for (name, _, _), told in at.items():
        for run in _in_a_row(told):
            (first, shut), (last, _) = run[0], run[-1]
            runs[first, last, shut].append(name)
    listed = [
        ShutDays(tuple(names), first, last, shut) for (first, last, shut), names in runs.items()
    ]
    return tuple(sorted(listed, key=lambda one: (one.first, one.last, one.zones, one.shut.plants)))


def _in_a_row(told: Sequence[tuple[date, Shut]]) -> Iterator[list[tuple[date, Shut]]]:
    numbered = enumerate(told)
    for _, run in groupby(numbered, key=lambda one: one[1][0] - timedelta(days=one[0])):
        yield [each for _, each in run]


def _kinds(session: Session) -> Mapping[Limits, tuple[str, ...]]:
    """Which crops stand what? A crop whose products differ is listed with each."""
    rows = session.exec(select(Product).options(selectinload(Product.crop))).all()  # type: ignore[arg-type]
    found: dict[Limits, dict[str, None]] = defaultdict(dict)
    for product in sorted(rows, key=lambda row: row.crop.name):
        found[limits_of(product)][product.crop.name] = None
    return {limits: tuple(crops) for limits, crops in found.items()}


def _promises(session: Session, first: date, last: date) -> Mapping[date, list[Promise]]:
    """Which promises stand on which of these days?"""
    rows = session.exec(
        select(Promise)
        .where(holding(now(session)), col(Promise.ship_on).between(first, last))
        .options(
            selectinload(Promise.order),  # type: ignore[arg-type]
            selectinload(Promise.service),  # type: ignore[arg-type]
            selectinload(Promise.lines).selectinload(PromiseLine.product),  # type: ignore[arg-type]
        )
        .order_by(col(Promise.id))
    ).all()
    found: dict[date, list[Promise]] = defaultdict(list)
    for promise in rows:
        found[promise.ship_on].append(promise)
    return found


def _zone_day(
    name: str,
    services: Collection[str],
    day: date,
    kinds: Mapping[Limits, tuple[str, ...]],
    closed: Mapping[Limits, Mapping[date, tuple[Reason, ...]]],
) -> ZoneDay:
    """What keeps which crops at home? What closes the day to every one is told alone."""
    against = {limits: closed[limits][day] for limits in kinds if day in closed[limits]}
    shared: tuple[Reason, ...] = ()
    if len(against) == len(kinds):
        first, *others = against.values()
        alike = [why for why in first if all(why in other for other in others)]
        if {why.service for why in alike} >= set(services) or any(not w.service for w in alike):
            shared = tuple(alike)
    shut: dict[str, tuple[Reason, dict[str, None]]] = {}
    for limits, reasons in against.items():
        why = most_telling(shared or reasons) or _NO_DAY
        shut.setdefault(_word(why), (why, {}))[1].update(dict.fromkeys(kinds[limits]))
    every = list(dict.fromkeys(crop for crops in kinds.values() for crop in crops))
    told = (
        Shut(word, why.text, tuple(crops), _plants(crops, every))
        for word, (why, crops) in shut.items()
    )
    return ZoneDay(name, len(against) < len(kinds), tuple(told))


def _plants(crops: Collection[str], every: Sequence[str]) -> str:
    """These crops by name, or, where they are most of them, those that are not among them."""
    others = [crop for crop in every if crop not in crops]
    if not others:
        return "all"
    return ", ".join(crops) if len(crops) <= len(others) else f"all but {', '.join(others)}"


def _must_move(rules: Rules, judged: OpenDays, promises: Sequence[Promise]) -> Iterator[MustMove]:
    """Promises whose day is closed to them, though it was open when it was given."""
    for promise in promises:
        held = promise.state == State.RESERVED or any(line.picked for line in promise.lines)
        if held or promise.order.zone_id not in rules.lanes:
            continue
        limits = strictest([limits_of(line.product) for line in promise.lines])
        ways, closed = judged.of(
            promise.order.zone_id,
            limits,
            window_of(promise.order),
            promise.ship_on,
            promise.service.name,
        )
        if promise.ship_on not in ways:
            why = most_telling(closed.get(promise.ship_on, ())) or _NO_DAY
            yield MustMove(promise.order.reference, promise.ship_on, _word(why), why.text)


def _crops(many: int) -> str:
    return "1 crop" if many == 1 else f"{many} crops"


def _word(why: Reason) -> str:
    return _IN_A_WORD.get(why.code, why.text)
