"""Which days are open to which parcels of a dispatch, and by which way does each leave then?

Calendars, transit, heat and frost and the customer's window decide (`promising.ship_days`), packing
minutes do not: they may be overrun, at a price. Parcels of one zone and limits are judged once,
then each window is laid over it. A day that is promised already stays open for what does not take
it away.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from nursery.promising.basket import ANY_DAY, Limits, Window
from nursery.promising.ship_days import Ask, Reason, Rules, Way, judge, outside_window

_NOT_AGAINST_ANY = frozenset({"packing_full"})
"""Reasons that do not close a day here: packing minutes may be overrun, at a price."""
_NOT_AGAINST_KEPT = frozenset({"packing_full", "cut_off", "uncertain", "horizon"})
"""Reasons that do not close the day which is promised already: it was open when it was given."""

Closed = Mapping[date, tuple[Reason, ...]]


@dataclass(frozen=True, slots=True)
class _Day:
    """A day as it was judged: each way with what closes it, and the reasons of lanes that have
    none."""

    ways: tuple[tuple[Way, tuple[Reason, ...]], ...]
    bare: tuple[Reason, ...]

    def good(self, kept: bool) -> list[Way]:
        """The ways that are open, to a parcel that has the day already (`kept`) or to any."""
        soft = _NOT_AGAINST_KEPT if kept else _NOT_AGAINST_ANY
        return [way for way, said in self.ways if all(_is_soft(why, soft, kept) for why in said)]

    def against(self, kept: bool) -> tuple[Reason, ...]:
        """Why is it closed?"""
        soft = _NOT_AGAINST_KEPT if kept else _NOT_AGAINST_ANY
        hard = [why for _, said in self.ways for why in said if not _is_soft(why, soft, kept)]
        return tuple(dict.fromkeys([*hard, *self.bare]))


@dataclass(frozen=True, slots=True)
class _Judged:
    """All days of parcels of one kind, and what they are to one that has no day yet."""

    days: Mapping[date, _Day]
    ways: Mapping[date, Way]
    closed: Closed
    several: Sequence[tuple[date, list[Way]]]


@dataclass(frozen=True)
class OpenDays:
    """The days of a dispatch by the desk's rules: so many `days` from `first`."""

    rules: Rules
    first: date
    days: int
    _known: dict[tuple[int, Limits, Window], _Judged] = field(default_factory=dict, repr=False)
    _for_any: dict[tuple[int, Limits], Mapping[date, _Day]] = field(
        default_factory=dict, repr=False
    )

    def all(self) -> Iterator[date]:
        """Every day of the dispatch."""
        return (self.first + timedelta(days=i) for i in range(self.days))

    def of(
        self, zone_id: int, limits: Limits, window: Window, kept: date | None, service: str
    ) -> tuple[Mapping[date, Way], Closed]:
        """By which way does a parcel leave on each open day, and why are the others closed?

        `kept` is the day that is promised already, by this service (None, "": none is). The
        promised service goes before others, then the earlier arrival, then the lower price.
        """
        judged = self._judged(zone_id, limits, window)
        if kept is None and not service:
            return judged.ways, judged.closed
        ways, closed = dict(judged.ways), judged.closed
        for day, good in judged.several:
            ways[day] = min(good, key=lambda way: _best(way, service))
        if kept is not None and kept in judged.days:
            good = judged.days[kept].good(True)
            if good:
                ways[kept] = min(good, key=lambda way: _best(way, service))
                closed = {day: why for day, why in closed.items() if day != kept}
            else:
                ways.pop(kept, None)
                closed = {**closed, kept: judged.days[kept].against(True)}
        return dict(sorted(ways.items())), closed

    def packed_by(self, day: date) -> date:
        """On which day at the latest are plugs that leave on this day taken off the bench?"""
        legs = [self.rules.leg(lane, day) for lanes in self.rules.lanes.values() for lane in lanes]
        return min((leg.pack_on for leg in legs if not isinstance(leg, Reason)), default=day)

    def _judged(self, zone_id: int, limits: Limits, window: Window) -> _Judged:
        key = (zone_id, limits, window)
        if key not in self._known:
            days = {day: _within(one, window) for day, one in self._any(zone_id, limits).items()}
            good = {day: one.good(False) for day, one in days.items()}
            self._known[key] = _Judged(
                days=days,
                ways={
                    day: min(ways, key=lambda way: _best(way, "")) if len(ways) > 1 else ways[0]
                    for day, ways in good.items()
                    if ways
                },
                closed={day: days[day].against(False) for day, ways in good.items() if not ways},
                several=[(day, ways) for day, ways in good.items() if len(ways) > 1],
            )
        return self._known[key]

    def _any(self, zone_id: int, limits: Limits) -> Mapping[date, _Day]:
        """All days of parcels with these limits, whenever they may arrive."""
        if (zone_id, limits) not in self._for_any:
            ask = Ask(limits, 0)
            days = {day: self._judge(zone_id, day, ask) for day in self.all()}
            self._for_any[zone_id, limits] = days
        return self._for_any[zone_id, limits]

    def _judge(self, zone_id: int, day: date, ask: Ask) -> _Day:
        found = [judge(self.rules, lane, day, ask) for lane in self.rules.lanes[zone_id]]
        ways = tuple((each, each.reasons) for each in found if isinstance(each, Way))
        return _Day(ways, tuple(why for each in found if not isinstance(each, Way) for why in each))


def _within(day: _Day, window: Window) -> _Day:
    """The day as it is to a parcel that must arrive in this window."""
    if window == ANY_DAY:
        return day
    against = [outside_window(way, window) for way, _ in day.ways]
    if not any(against):
        return day
    ways = ((way, (*said, *why)) for (way, said), why in zip(day.ways, against, strict=True))
    return _Day(tuple(ways), day.bare)


def _is_soft(why: Reason, soft: frozenset[str], kept: bool) -> bool:
    """Does this reason not close the day, here or for the promise that has it already?"""
    return why.code in soft or (kept and why.kept)


def _best(way: Way, service: str) -> tuple[bool, date, int, str]:
    """The promised service before others, then the earlier arrival, then the lower price."""
    lane = way.lane
    return (lane.service != service, way.arrives_until, lane.price_cents, lane.service)
