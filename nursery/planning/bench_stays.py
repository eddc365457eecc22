"""How long does a batch stand in which kind of area, and on how many places? Its stays, by the day.

- *Batches* leave a stage in the week in which its expected end falls, as on the week sheet; planned
  starts enter in their week and stay the expected weeks of each stage.
- *Within a week* trays are moved from the back: ready benches are filled on Monday, frames on
  Tuesday, the growing house on Wednesday, propagation on Thursday (`FILL_DAY`), so that a place
  that is left can be cleaned for a day and filled in the same week.
- *Ready plugs* to come stand on the ready benches for `READY_DAYS`, so many a place as the site
  says.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from nursery.clocks import EXPECTED, NEVER
from nursery.crop import AreaKind, Protocol, Stage
from nursery.growing.air import Air
from nursery.growing.growth import Growing, Passage, growing_stages
from nursery.growing.sowing import SeedBook, survival_of
from nursery.planned import PlannedStart
from nursery.planning.accepted import protocol_key
from nursery.planning.plan_places import places_a_tray
from nursery.planning.propagation_problem import batch_trays, cells_of, trays_in_stage
from nursery.weeks import Horizon

FILL_DAY = {
    AreaKind.READY: 0,
    AreaKind.FRAME: 1,
    AreaKind.GROWING: 2,
    AreaKind.PROPAGATION: 3,
    AreaKind.ISOLATION: 3,
    AreaKind.NONE: 0,
}
"""On which weekday is each kind of area filled, Monday being 0?"""

READY_DAYS = 14
"""For how long do plugs to come stand on the ready bench? Two weeks of a life of two to four (from
memory, an estimate)."""

WEEK_DAYS = 7


@dataclass(frozen=True, slots=True)
class StartToCome:
    """A start of a plan that is not kept yet: trays of a protocol in an ISO week."""

    protocol: Protocol
    week: str
    extra_weeks: int
    trays: int
    id: int | None = None


@dataclass(frozen=True)
class Stay:
    """Some stages of one kind of area after one another, without a move."""

    kind: AreaKind
    stage: Stage | None
    position: int
    trays: int
    places: int
    tray_places: int
    enters: int
    leaves: int


@dataclass(frozen=True)
class Season:
    """What stays are reckoned from: the days, the air, the seed, and plugs a ready place."""

    horizon: Horizon
    today: date
    air: Air
    seed: SeedBook
    per_place: int

    @property
    def now_at(self) -> int:
        """Which day of the horizon is today?"""
        return self.horizon.day_index(self.today)

    def ready_places(self, plugs: float) -> int:
        """Places of the ready bench, to the nearest whole one: small lots share theirs."""
        return max(1, round(plugs / self.per_place))


def start_name(row: PlannedStart | StartToCome) -> str:
    """What is a planned start called on the bench map?"""
    return f"{protocol_key(row.protocol)} {row.week}+{row.extra_weeks}"


def stand_name(of: str, position: int) -> str:
    """What is a batch (or planned start) in this stage called on the map? 0: ready."""
    return f"{of} stage {position}" if position else f"{of} ready"


def stays_left(at: Season, one: Growing, way: Passage) -> Iterator[Stay]:
    """Which stays has a growing batch before it, the present one first?"""
    left = one.stages_left
    if not left:
        since = one.batch.ready_on or one.batch.stage_entered_on
        weeks = len(one.batch.protocol.flush_shares)
        ends = max(at.horizon.day_index(since + timedelta(weeks=weeks)), at.now_at + WEEK_DAYS)
        trays = math.ceil(one.plugs / one.batch.tray_format.cells)
        tray = one.batch.tray_format.places
        yield Stay(AreaKind.READY, None, 0, trays, trays * tray, tray, 0, ends)
        return
    ends_of: list[int] = []
    for place in range(len(left)):
        end = way.leaves(EXPECTED, place)
        week = 10**6 if end >= NEVER else at.horizon.index(at.air.date(end))
        kind = left[place + 1].area_kind if place + 1 < len(left) else AreaKind.READY
        ends_of.append(max(week * WEEK_DAYS + FILL_DAY[kind], at.now_at + 1))
    trays_of = [batch_trays(one, place) for place in range(len(left))]
    tray_of = [one.batch.tray_format.places, *(places_a_tray(stage) for stage in left[1:])]
    if left[0].area_kind is AreaKind.NONE:
        tray_of[0] = 0
    germination = one.batch.seed_lot.germination if one.batch.seed_lot is not None else None
    plugs = one.plugs * survival_of(left, germination).mean
    yield from _merged(at, left, trays_of, tray_of, 0, ends_of, plugs)


def _merged(
    at: Season,
    stages: tuple[Stage, ...],
    trays: list[int],
    tray_places: list[int],
    enters: int,
    ends: list[int],
    plugs: float,
) -> Iterator[Stay]:
    """The stays of some stages: stages that follow in one kind of area, in as many trays, are one.

    After the last one the plugs that live stand on the ready bench.
    """
    stays: list[Stay] = []
    for place, stage in enumerate(stages):
        tray = tray_places[place]
        stay = Stay(stage.area_kind, stage, stage.position, trays[place], trays[place] * tray,
                     max(1, tray), enters, ends[place])  # fmt: skip
        last = stays[-1] if stays else None
        if last is not None and (last.kind, last.places) == (stay.kind, stay.places):
            stays[-1] = Stay(last.kind, last.stage, last.position, last.trays, last.places,
                              last.tray_places, last.enters, stay.leaves)  # fmt: skip
        else:
            stays.append(stay)
        enters = ends[place]
    places = at.ready_places(plugs)
    ready = Stay(AreaKind.READY, None, 0, places, places, 1, enters, enters + READY_DAYS)
    yield from (stay for stay in (*stays, ready) if stay.places)


def stays_planned(
    at: Season,
    row: PlannedStart | StartToCome,
    protocol: Protocol,
    week: int,
    dwell: tuple[tuple[int, ...], ...],
) -> Iterator[Stay]:
    """Which stays has a planned start, that enters in this week of the horizon?"""
    stages, cells = growing_stages(protocol), cells_of(protocol)
    if not stages:
        return
    germination = at.seed.germination(protocol, at.today)
    enters = week * WEEK_DAYS + FILL_DAY[stages[0].area_kind]
    ends: list[int] = []
    for place, weeks in enumerate(dwell):
        week += weeks[min(week, at.horizon.weeks - 1)]
        week += row.extra_weeks if place + 1 == len(stages) else 0
        after = stages[place + 1].area_kind if place + 1 < len(stages) else AreaKind.READY
        ends.append(week * WEEK_DAYS + FILL_DAY[after])
    trays = [
        row.trays * trays_in_stage(stages, place, cells, germination)
        for place in range(len(stages))
    ]
    plugs = row.trays * cells * survival_of(stages, germination).mean
    yield from _merged(
        at, stages, trays, [places_a_tray(stage) for stage in stages], enters, ends, plugs
    )
