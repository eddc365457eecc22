"""When do shade layers go on and off in each area, so that its crops stay under their limit?

From the climate of the site's station alone: a calendar that moved with every forecast would not be
followed (what a forecast says of tomorrow is a warning, `growing.frost`). A calendar is proposed
here and kept by somebody; only a kept one gives tasks, and only a kept one is in the air that the
plans reckon with.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, delete, select

from nursery.climate import Weather, felt
from nursery.crop import AreaKind, Clock, Protocol, Stage
from nursery.database import site, today
from nursery.errors import Fault
from nursery.growing.air import area_air, station_climate
from nursery.growing.shade_layers import kept_changes, layers_at
from nursery.growing.shade_weeks import Costs, chances_under, cheapest_layers, needed_layers
from nursery.growing_area import GrowingArea
from nursery.shading import ShadeChange, ShadeSetting
from nursery.weeks import Week
from nursery.working_days import working_day_before

WEEKS = 52
DRAWS = 400
"""Weather years that are drawn where a station has its normals only."""
HEAT_C = 25.0
"""The limit where no stage that stands in the area has one (caution from 25 °C, from memory)."""
ASSUMED = "estimates, no source: no row in sheet Shade"
CAUTION = "two people, no ladder alone; heavy covers only as local rules on lifting allow"

_LIMITED = (Clock.WARMTH, Clock.HARDENING)
_LONGEST_HOLIDAY = 10
"""Days that a change may have to be brought forward."""


@dataclass(frozen=True, slots=True)
class ShadeWeek:
    """A week of the calendar: layers on, layers that its crops need at least.

    `chance` is the share of weather years in which the felt maximum stays under the limit all week
    with the layers that are on; `enough` says whether that is the stated one.
    """

    week: str
    monday: date
    layers: int
    needed: int
    chance: float
    enough: bool


@dataclass(frozen=True, slots=True)
class LayerChange:
    """By this Monday layers are put on (`layers` above `before`) or taken off."""

    area: str
    by: date
    before: int
    layers: int
    minutes: int
    persons: int

    @property
    def what(self) -> str:
        """What is done, as a sheet says it? "put on layer 2", "take off layers 3 and 2"."""
        if self.layers > self.before:
            return f"put on {_named(range(self.before + 1, self.layers + 1))}"
        return f"take off {_named(range(self.before, self.layers, -1))}"

    def __str__(self) -> str:
        return f"{self.what} in {self.area} by {self.by:%a %d %b}"


@dataclass(frozen=True, slots=True)
class ShadeCalendar:
    """The calendar of one area for a year of weeks.

    `limit_c` is whose limit `limit_of` says, `stated` the chance asked for each week. `cost_cents`
    counts changes, layers moved and the light they take. `assumed` says where its figures come from
    when nobody gave any. `kept` holds whether it is the calendar that is kept.
    """

    area: str
    limit_c: float
    limit_of: str
    stated: float
    most_layers: int
    layer_c: float
    layers_before: int
    weeks: tuple[ShadeWeek, ...]
    changes: tuple[LayerChange, ...]
    cost_cents: int
    source: str
    assumed: str
    kept: bool

    @property
    def too_hot(self) -> tuple[ShadeWeek, ...]:
        """In which weeks do even all layers not keep the stated chance?"""
        return tuple(week for week in self.weeks if not week.enough)


def shade_calendars(session: Session, only: str | None = None) -> list[ShadeCalendar]:
    """Which layers should be on in which week of the next year, area by area? Reads only.

    From this week on if it is Monday, else from the next. Raises `Fault` where the station has no
    weather, or for the name of no area.
    """
    day = today(session)
    first = Week.of(day) if day.weekday() == 0 else Week.of(day) + 1
    climate = _climate(session, first)
    settings = _settings(session)
    kept = kept_changes(session)
    crops = selectinload(Stage.protocol).selectinload(Protocol.crop)  # type: ignore[arg-type]
    stages = session.exec(select(Stage).options(crops)).all()
    found = []
    for area in _areas(session, only):
        own = settings.get(area.id or 0)
        setting = own or ShadeSetting(area_id=area.id or 0, most_layers=max(3, area.shade_layers))
        before = layers_at(kept.get(area.id or 0, ()), area.shade_layers, day)
        limit, of = _limit(area, setting, stages)
        low, high = felt(area_air(area, 0), climate.t_min, climate.t_max)
        chances = chances_under(low, high, limit, area.shade_c, setting.most_layers)
        needed, enough = needed_layers(chances, setting.chance)
        layers, cost = cheapest_layers(
            needed, setting.most_layers, before, _costs(session, setting)
        )
        weeks = tuple(
            ShadeWeek(
                str(first + n),
                (first + n).monday(),
                layers[n],
                int(needed[n]),
                round(float(chances[n, layers[n]]), 3),
                bool(enough[n]),
            )
            for n in range(WEEKS)
        )
        then = [
            layers_at(kept.get(area.id or 0, ()), area.shade_layers, week.monday) for week in weeks
        ]
        found.append(
            ShadeCalendar(
                area=area.name,
                limit_c=limit,
                limit_of=of,
                stated=setting.chance,
                most_layers=setting.most_layers,
                layer_c=area.shade_c,
                layers_before=before,
                weeks=weeks,
                changes=_changes(area, setting, weeks, before),
                cost_cents=round(cost),
                source=climate.source,
                assumed="" if own else ASSUMED,
                kept=area.id in kept and then == list(layers),
            )
        )
    return found


def keep_calendar(session: Session, calendar: ShadeCalendar, actor: str) -> int:
    """How many changes does the area's kept calendar have now? What was kept for later goes.

    From its first week on the calendar's layers are kept; it gives tasks, and plans reckon with it.
    Raises `Fault` without a name, or for a calendar of no area.
    """
    if not actor.strip():
        raise Fault("Shade calendar", "needs somebody who keeps it", actor, "say who decides")
    area = _areas(session, calendar.area)[0]
    start = calendar.weeks[0].monday
    session.exec(
        delete(ShadeChange).where(
            col(ShadeChange.area_id) == area.id, col(ShadeChange.on_day) >= start
        )
    )
    rows = [(start, calendar.weeks[0].layers)]
    rows += [(one.by, one.layers) for one in calendar.changes if one.by > start]
    session.add_all(
        ShadeChange(area_id=area.id or 0, on_day=day, layers=layers, decided_by=actor)
        for day, layers in rows
    )
    session.flush()
    return len(calendar.changes)


def changes_due(session: Session, first: date, last: date) -> list[tuple[date, LayerChange]]:
    """Which layers go on or off from the first to the last day, by the kept calendars?

    With the working day on which it is done: the change's own day, or, where that is no working
    day, the last one before it. In order of days and areas. After a calendar's last row the year
    before is taken again.
    """
    kept = kept_changes(session)
    settings = _settings(session)
    here = site(session)
    found = []
    for area in _areas(session, None):
        changes = kept.get(area.id or 0, ())
        setting = settings.get(area.id or 0) or ShadeSetting(area_id=area.id or 0)
        for ahead in range((last - first).days + 1 + _LONGEST_HOLIDAY if changes else 0):
            day = first + timedelta(days=ahead)
            was = layers_at(changes, area.shade_layers, day - timedelta(days=1))
            now_on = layers_at(changes, area.shade_layers, day)
            if was == now_on:
                continue
            done_on = working_day_before(here, day)
            if first <= done_on <= last:
                found.append((done_on, _change(area, setting, day, was, now_on)))
    return sorted(found, key=lambda one: (one[0], one[1].area))


def limit_of(session: Session, area: GrowingArea) -> tuple[float, str]:
    """Under which felt maximum should this area stay, °C, and whose limit is that?"""
    own = _settings(session).get(area.id or 0) or ShadeSetting(area_id=area.id or 0)
    return _limit(area, own, session.exec(select(Stage)).all())


def _climate(session: Session, first: Week) -> Weather:
    station = site(session).station_id
    climate = None
    if station is not None:
        climate = station_climate(session, station, first.monday(), 7 * WEEKS, DRAWS)
    if climate is None:
        raise Fault(
            "Shade calendar",
            "needs the climate of the site's station",
            None,
            "give the station's monthly normals or load its observed days",
        )
    return climate


def _settings(session: Session) -> dict[int, ShadeSetting]:
    return {row.area_id: row for row in session.exec(select(ShadeSetting)).all()}


def _areas(session: Session, only: str | None) -> list[GrowingArea]:
    areas = session.exec(select(GrowingArea).order_by(col(GrowingArea.name))).all()
    if only is None:
        return [area for area in areas if area.kind is not AreaKind.NONE]
    named = [area for area in areas if area.name.casefold() == only.casefold()]
    if not named:
        listed = ", ".join(area.name for area in areas) or "none"
        raise Fault("Growing area", f"must be one of {listed}", only, "name one of them")
    return named


def _limit(area: GrowingArea, setting: ShadeSetting, stages: Iterable[Stage]) -> tuple[float, str]:
    """The area's own limit, else the lowest of the stages that stand there (ready plugs stand what
    they stood in the frames)."""
    if setting.limit_c is not None:
        return setting.limit_c, "sheet Shade"
    kind = AreaKind.FRAME if area.kind is AreaKind.READY else area.kind
    limits = [
        (stage.upper_c, stage.protocol.crop.name, stage.kind.value)
        for stage in stages
        if stage.area_kind is kind and stage.clock in _LIMITED and stage.upper_c is not None
    ]
    if not limits:
        return HEAT_C, "usual caution, from memory"
    limit, crop, what = min(limits)
    more = len({name for upper, name, _ in limits if upper == limit}) - 1
    return limit, f"{crop}, {what}" + (f", and {more} more crops" if more else "")


def _costs(session: Session, setting: ShadeSetting) -> Costs:
    rate = site(session).regular_cents_per_minute
    layer = setting.change_minutes * setting.persons * rate
    return Costs(setting.change_cents, layer, setting.light_cents)


def _changes(
    area: GrowingArea, setting: ShadeSetting, weeks: Sequence[ShadeWeek], before: int
) -> tuple[LayerChange, ...]:
    found = []
    for week in weeks:
        if week.layers != before:
            found.append(_change(area, setting, week.monday, before, week.layers))
        before = week.layers
    return tuple(found)


def _change(
    area: GrowingArea, setting: ShadeSetting, by: date, before: int, layers: int
) -> LayerChange:
    minutes = round(setting.change_minutes * abs(layers - before))
    return LayerChange(area.name, by, before, layers, minutes, setting.persons)


def _named(layers: Iterable[int]) -> str:
    each = [str(one) for one in layers]
    if len(each) == 1:
        return f"layer {each[0]}"
    return f"layers {', '.join(each[:-1])} and {each[-1]}"
