"""Which places are wanted when? The batches and the accepted plan as a bench problem, by the day.

Day 0 is the Monday of this week. A kind of growing area is one area of the problem; its places are
cleaned for the longest of its growing areas' cleaning days.

- *Present batches* stand where they stand: on the places that the kept map gives them, if that is
  on the bench that the books say; else side by side on that bench if they can. They leave a stage
  in the week in which its expected end falls, as on the week sheet.
- *Planned starts* of the accepted plan (or of one that is being made) enter in their week and stay
  the expected weeks of each stage; the kept map's places cost a little to change.
- *Within a week* trays are moved from the back: ready benches are filled on Monday, frames on
  Tuesday, the growing house on Wednesday, propagation on Thursday (`FILL_DAY`), so that a place
  that is left can be cleaned for a day and filled in the same week.
- *Ready plugs* stand on the ready benches, so many a place as the site says: lots until they are
  expected to be gone (`planning.ready_bench`), plugs to come for `READY_DAYS`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from sqlmodel import Session, col, select

from nursery.bench_slot import BenchSlot, StandApart
from nursery.clocks import EXPECTED, NEVER
from nursery.crop import AreaKind, Crop, Protocol, Stage
from nursery.database import site, today
from nursery.growing.air import Air, air_of
from nursery.growing.growth import (
    Growing,
    Passage,
    growing_batches,
    growing_stages,
    passages,
    stage_weeks,
)
from nursery.growing.sowing import SeedBook, seed_book, survival_of
from nursery.growing_area import Bench, GrowingArea
from nursery.planned import PlannedStart
from nursery.planning.accepted import accepted_plan, protocol_key
from nursery.planning.plan_places import places_a_tray
from nursery.planning.propagation_problem import batch_trays, cells_of, trays_in_stage
from nursery.planning.ready_bench import gone_by
from nursery.stock import Lot
from nursery.weeks import Horizon, Week
from solver.benching import Apart, Area, Block, Problem, Stand, first_map
from solver.benching import Bench as PlannedBench

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

_WEEK = 7


@dataclass(frozen=True, slots=True)
class StandInfo:
    """What stands there, in the trade's words?

    `batch` is its code, "" for one that is only planned, of `planned_week`. `position` is that of
    the stage in the protocol, 0 for plugs that are ready.
    """

    key: str
    batch: str
    crop: str
    stage: str
    trays: int
    position: int
    batch_id: int | None = None
    planned_start_id: int | None = None
    planned_week: str = ""


@dataclass(frozen=True)
class BenchBook:
    """The bench problem of this nursery with what its stands are. `notes` are for the lead."""

    horizon: Horizon
    today: date
    plan_version: int | None
    problem: Problem
    infos: Mapping[str, StandInfo]
    benches: Mapping[str, Bench]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StartToCome:
    """A start of a plan that is not kept yet: trays of a protocol in an ISO week."""

    protocol: Protocol
    week: str
    extra_weeks: int
    trays: int
    id: int | None = None


@dataclass(frozen=True)
class _Stay:
    """Some stages of one kind of area after one another, without a move."""

    kind: AreaKind
    stage: Stage | None
    position: int
    trays: int
    places: int
    tray_places: int
    enters: int
    leaves: int


@dataclass
class _Build:
    session: Session
    horizon: Horizon
    today: date
    air: Air
    seed: SeedBook
    per_place: int
    slots: Mapping[str, tuple[Block, ...]]
    areas: dict[AreaKind, Area]
    where: dict[str, AreaKind]
    stands: list[Stand] = field(default_factory=list)
    infos: dict[str, StandInfo] = field(default_factory=dict)
    taken: list[tuple[Block, int]] = field(default_factory=list)
    unlisted: set[AreaKind] = field(default_factory=set)

    @property
    def days(self) -> int:
        return self.horizon.weeks * _WEEK

    @property
    def now_at(self) -> int:
        return self.horizon.day_index(self.today)


def bench_book(
    session: Session, weeks: int, starts: Sequence[StartToCome] | None = None
) -> BenchBook:
    """Which bench problem do the next `weeks` weeks pose, this one included? Reads only.

    With `starts`, these are started and not those of the accepted plan.
    """
    here, day = site(session), today(session)
    horizon = Horizon(Week.of(day), weeks)
    rows = _bench_rows(session)
    at = _Build(
        session=session,
        horizon=horizon,
        today=day,
        air=air_of(session, day),
        seed=seed_book(session),
        per_place=here.plugs_per_ready_place,
        slots=_kept(session, {bench.name: bench for bench, _ in rows}),
        areas=_areas(rows, horizon),
        where={bench.name: area.kind for bench, area in rows},
    )
    for one, way in zip(g := growing_batches(session), passages(at.air, g, day), strict=True):
        _growing(at, one, way)
    _lots(at)
    plan = accepted_plan(session)
    if starts is not None:
        _planned(at, starts)
    elif plan is not None:
        _planned(at, _not_made(session, plan.id or 0))
    at.stands = _where_they_are(at)
    used = {stand.area for stand in at.stands}
    problem = Problem(
        periods=at.days,
        areas=tuple(area for area in at.areas.values() if area.key in used),
        stands=tuple(at.stands),
        apart=_apart(session),
        name=f"{here.name} from {horizon.start}",
    )
    notes = [f"No bench is listed for the {kind}: its batches are not on the map"
             for kind in AreaKind if kind in at.unlisted]  # fmt: skip
    return BenchBook(
        horizon=horizon,
        today=day,
        plan_version=plan.version if plan is not None else None,
        problem=problem,
        infos=at.infos,
        benches={bench.name: bench for bench, _ in rows},
        notes=tuple(notes),
    )


def _where_they_are(at: _Build) -> list[Stand]:
    """The stands with those fixed to places that the books have on a bench now.

    They are put on it by first fit, whatever comes later; one for which its bench has not room
    enough is short of the rest.
    """
    bound = [stand for stand in at.stands if stand.bench is not None]
    here = [stand for stand in at.stands if stand.bench is not None or stand.fixed]
    areas = tuple(at.areas.values())
    places = first_map(Problem(at.days, areas, tuple(here))).places if bound else {}
    return [
        replace(stand, bench=None, last=(), fixed=places[stand.key])
        if stand.bench is not None and stand.key in places
        else stand
        for stand in at.stands
    ]


def _bench_rows(session: Session) -> list[tuple[Bench, GrowingArea]]:
    query = (
        select(Bench, GrowingArea)
        .join(GrowingArea, col(Bench.area_id) == col(GrowingArea.id))
        .order_by(col(Bench.walk_order), col(Bench.name))
    )
    return [(bench, area) for bench, area in session.exec(query).all()]


def _areas(rows: list[tuple[Bench, GrowingArea]], horizon: Horizon) -> dict[AreaKind, Area]:
    found = {}
    for kind in AreaKind:
        mine = [(bench, area) for bench, area in rows if area.kind is kind and bench.places]
        if mine:
            benches = tuple(
                PlannedBench(bench.name, bench.places, area.name, _closed(bench, horizon))
                for bench, area in mine
            )
            gap = max(area.cleaning_days for _, area in mine)
            found[kind] = Area(kind.value, benches, gap)
    return found


def _closed(bench: Bench, horizon: Horizon) -> tuple[tuple[int, int], ...]:
    if bench.out_from is None and bench.out_until is None:
        return ()
    end = horizon.weeks * _WEEK
    first = 0 if bench.out_from is None else max(0, horizon.day_index(bench.out_from))
    until = end if bench.out_until is None else horizon.day_index(bench.out_until) + 1
    return ((first, until),) if until > first and first < end else ()


def _kept(session: Session, benches: Mapping[str, Bench]) -> dict[str, tuple[Block, ...]]:
    """The blocks of the kept map by stand, without those that their bench has no longer."""
    names = {bench.id: name for name, bench in benches.items()}
    found: dict[str, list[Block]] = {}
    for row in session.exec(select(BenchSlot).order_by(col(BenchSlot.id))).all():
        block = Block(names[row.bench_id], row.first_place - 1, row.places)
        if block.end <= benches[block.bench].places:
            found.setdefault(row.stand, []).append(block)
    return {stand: tuple(sorted(blocks)) for stand, blocks in found.items()}


def _apart(session: Session) -> tuple[Apart, ...]:
    rows = session.exec(select(StandApart).order_by(col(StandApart.plant_group))).all()
    crops = session.exec(select(Crop).order_by(col(Crop.id))).all()
    return tuple(
        Apart(tuple(c.name for c in crops if c.plant_group == row.plant_group), row.places)
        for row in rows
    )


def _growing(at: _Build, one: Growing, way: Passage) -> None:
    batch, bench = one.batch, one.batch.bench
    start = _planned_name(at.session, batch.id or 0)
    for number, stay in enumerate(_stays_left(at, one, way)):
        here = number == 0 and stay.enters == 0
        kind = bench.area.kind if here and bench is not None else stay.kind
        names = [stand_name(batch.code, stay.position)]
        if here:
            names += [stand_name(batch.code, p) for p in range(stay.position - 1, 0, -1)]
        if start:
            names += [stand_name(start, stay.position)]
        info = StandInfo(
            key=names[0],
            batch=batch.code,
            crop=batch.crop.name,
            stage=stay.stage.kind.value if stay.stage is not None else "ready",
            trays=stay.trays,
            position=stay.position,
            batch_id=batch.id,
        )
        _add(at, info, stay, kind, names, bench if here else None)


def _planned_name(session: Session, batch_id: int) -> str:
    row = session.exec(select(PlannedStart).where(PlannedStart.batch_id == batch_id)).first()
    return start_name(row) if row is not None else ""


def start_name(row: PlannedStart | StartToCome) -> str:
    """What is a planned start called on the bench map?"""
    return f"{protocol_key(row.protocol)} {row.week}+{row.extra_weeks}"


def stand_name(of: str, position: int) -> str:
    """What is a batch (or planned start) in this stage called on the map? 0: ready."""
    return f"{of} stage {position}" if position else f"{of} ready"


def _stays_left(at: _Build, one: Growing, way: Passage) -> Iterator[_Stay]:
    left = one.stages_left
    if not left:
        since = one.batch.ready_on or one.batch.stage_entered_on
        weeks = len(one.batch.protocol.flush_shares)
        ends = max(at.horizon.day_index(since + timedelta(weeks=weeks)), at.now_at + _WEEK)
        trays = math.ceil(one.plugs / one.batch.tray_format.cells)
        tray = one.batch.tray_format.places
        yield _Stay(AreaKind.READY, None, 0, trays, trays * tray, tray, 0, ends)
        return
    ends_of: list[int] = []
    for place in range(len(left)):
        end = way.leaves(EXPECTED, place)
        week = 10**6 if end >= NEVER else at.horizon.index(at.air.date(end))
        kind = left[place + 1].area_kind if place + 1 < len(left) else AreaKind.READY
        ends_of.append(max(week * _WEEK + FILL_DAY[kind], at.now_at + 1))
    trays_of = [batch_trays(one, place) for place in range(len(left))]
    tray_of = [one.batch.tray_format.places, *(places_a_tray(stage) for stage in left[1:])]
    if left[0].area_kind is AreaKind.NONE:
        tray_of[0] = 0
    germination = one.batch.seed_lot.germination if one.batch.seed_lot is not None else None
    plugs = one.plugs * survival_of(left, germination).mean
    yield from _merged(at, left, trays_of, tray_of, 0, ends_of, plugs)


def _merged(
    at: _Build,
    stages: tuple[Stage, ...],
    trays: list[int],
    tray_places: list[int],
    enters: int,
    ends: list[int],
    plugs: float,
) -> Iterator[_Stay]:
    """The stays of some stages: stages that follow in one kind of area, in as many trays, are one.

    After the last one the plugs that live stand on the ready bench.
    """
    stays: list[_Stay] = []
    for place, stage in enumerate(stages):
        tray = tray_places[place]
        stay = _Stay(stage.area_kind, stage, stage.position, trays[place], trays[place] * tray,
                     max(1, tray), enters, ends[place])  # fmt: skip
        last = stays[-1] if stays else None
        if last is not None and (last.kind, last.places) == (stay.kind, stay.places):
            stays[-1] = _Stay(last.kind, last.stage, last.position, last.trays, last.places,
                              last.tray_places, last.enters, stay.leaves)  # fmt: skip
        else:
            stays.append(stay)
        enters = ends[place]
    places = _ready_places(at, plugs)
    ready = _Stay(AreaKind.READY, None, 0, places, places, 1, enters, enters + READY_DAYS)
    yield from (stay for stay in (*stays, ready) if stay.places)


def _ready_places(at: _Build, plugs: float) -> int:
    """Places of the ready bench, to the nearest whole one: small lots share theirs."""
    return max(1, round(plugs / at.per_place))


def _lots(at: _Build) -> None:
    lots = at.session.exec(select(Lot).where(col(Lot.plugs) > 0).order_by(col(Lot.id))).all()
    ends_on = gone_by(at.session, at.horizon, at.today, at.air, lots)
    for lot in lots:
        bench = lot.batch.bench
        if bench is not None and bench.area.kind is not AreaKind.READY:
            bench = None
        ends = at.horizon.day_index(ends_on[lot.id or 0])
        places = _ready_places(at, lot.plugs)
        stay = _Stay(AreaKind.READY, None, 0, places, places, 1, 0, ends)
        name = f"{lot.batch.code} lot {lot.ready_on}"
        key = name if name not in at.infos else f"{name} {lot.pool.grade.value}"
        info = StandInfo(key, lot.batch.code, lot.batch.crop.name, "ready", places, 0, lot.batch_id)
        _add(at, info, stay, AreaKind.READY, [key, stand_name(lot.batch.code, 0)], bench)


def _not_made(session: Session, plan_id: int) -> Sequence[PlannedStart]:
    return session.exec(
        select(PlannedStart)
        .where(PlannedStart.plan_id == plan_id, col(PlannedStart.batch_id).is_(None))
        .order_by(col(PlannedStart.week), col(PlannedStart.id))
    ).all()


def _planned(at: _Build, rows: Sequence[PlannedStart | StartToCome]) -> None:
    dwell: dict[int, tuple[tuple[int, ...], ...]] = {}
    for row in rows:
        week = at.horizon.index(Week.parse(row.week))
        if not 0 <= week < at.horizon.weeks:
            continue
        protocol = row.protocol
        weeks = dwell.get(protocol.id or 0) or stage_weeks(at.air, protocol, at.horizon)
        dwell[protocol.id or 0] = weeks
        name = start_name(row)
        for stay in _stays_planned(at, row, protocol, week, weeks):
            info = StandInfo(
                key=stand_name(name, stay.position),
                batch="",
                crop=protocol.crop.name,
                stage=stay.stage.kind.value if stay.stage is not None else "ready",
                trays=stay.trays,
                position=stay.position,
                planned_start_id=row.id,
                planned_week=row.week,
            )
            _add(at, info, stay, stay.kind, [info.key], None)


def _stays_planned(
    at: _Build,
    row: PlannedStart | StartToCome,
    protocol: Protocol,
    week: int,
    dwell: tuple[tuple[int, ...], ...],
) -> Iterator[_Stay]:
    stages, cells = growing_stages(protocol), cells_of(protocol)
    if not stages:
        return
    germination = at.seed.germination(protocol, at.today)
    enters = week * _WEEK + FILL_DAY[stages[0].area_kind]
    ends: list[int] = []
    for place, weeks in enumerate(dwell):
        week += weeks[min(week, at.horizon.weeks - 1)]
        week += row.extra_weeks if place + 1 == len(stages) else 0
        after = stages[place + 1].area_kind if place + 1 < len(stages) else AreaKind.READY
        ends.append(week * _WEEK + FILL_DAY[after])
    trays = [
        row.trays * trays_in_stage(stages, place, cells, germination)
        for place in range(len(stages))
    ]
    plugs = row.trays * cells * survival_of(stages, germination).mean
    yield from _merged(
        at, stages, trays, [places_a_tray(stage) for stage in stages], enters, ends, plugs
    )


def _add(
    at: _Build,
    info: StandInfo,
    stay: _Stay,
    kind: AreaKind,
    names: list[str],
    bench: Bench | None,
) -> None:
    """Puts a stand into the problem, with what the books and the kept map say of its place."""
    leaves = min(stay.leaves, at.days)
    if stay.enters >= leaves:
        return
    area = at.areas.get(kind)
    if area is None:
        at.unlisted.add(kind)
        return
    last = next((at.slots[name] for name in names if name in at.slots), ())
    last = tuple(block for block in last if at.where.get(block.bench) is kind)
    fixed: tuple[Block, ...] = ()
    known = bench is not None and any(b.key == bench.name for b in area.benches)
    if known and bench is not None and any(block.bench == bench.name for block in last):
        fixed = _cut(last, stay.places)
        if not fixed or _taken(at, fixed):
            fixed = ()
        else:
            at.taken.extend((block, leaves) for block in fixed)
    at.infos[info.key] = info
    at.stands.append(
        Stand(
            key=info.key,
            area=area.key,
            crop=info.crop,
            places=stay.places,
            enters=stay.enters,
            leaves=leaves,
            tray_places=stay.tray_places,
            bench=bench.name if known and bench is not None and not fixed else None,
            fixed=fixed,
            last=() if fixed else last,
        )
    )


def _cut(blocks: tuple[Block, ...], places: int) -> tuple[Block, ...]:
    """So many of these places, from the first on; none where they are fewer."""
    if sum(block.places for block in blocks) < places:
        return ()
    found: list[Block] = []
    for block in blocks:
        here = min(places, block.places)
        if here:
            found.append(Block(block.bench, block.first, here))
            places -= here
    return tuple(found)


def _taken(at: _Build, blocks: tuple[Block, ...]) -> bool:
    return any(
        block.bench == other.bench and block.first < other.end and other.first < block.end
        for block in blocks
        for other, _ in at.taken
    )
