"""Which places are wanted when? The batches and the accepted plan as a bench problem, by the day.

Day 0 is the Monday of this week. A kind of growing area is one area of the problem; its places are
cleaned for the longest of its growing areas' cleaning days.

- *Present batches* stand where they stand: on the places that the kept map gives them, if that is
  on the bench that the books say; else side by side on that bench if they can. They leave a stage
  in the week in which its expected end falls, as on the week sheet.
- *Planned starts* of the accepted plan (or of one that is being made) enter in their week and stay
  the expected weeks of each stage; the kept map's places cost a little to change.
How long they stay in which kind of area is `planning.bench_stays`; lots stand on the ready benches
until they are expected to be gone (`planning.ready_bench`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.bench_slot import BenchSlot, StandApart
from nursery.crop import AreaKind, Crop
from nursery.database import site, today
from nursery.growing.air import air_of
from nursery.growing.growth import (
    Growing,
    Passage,
    growing_batches,
    passages,
    stage_weeks,
)
from nursery.growing.sowing import seed_book
from nursery.growing_area import Bench, GrowingArea
from nursery.planned import PlannedStart, starts_with_ways
from nursery.planning.accepted import accepted_plan
from nursery.planning.bench_stays import (
    WEEK_DAYS,
    Season,
    StartToCome,
    Stay,
    stand_name,
    start_name,
    stays_left,
    stays_planned,
)
from nursery.planning.ready_bench import gone_by
from nursery.stock import Lot, with_batches
from nursery.weeks import Horizon, Week
from solver.benching import Apart, Area, Block, Problem, Stand, first_map
from solver.benching import Bench as PlannedBench


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


@dataclass
class _Build:
    session: Session
    season: Season
    slots: Mapping[str, tuple[Block, ...]]
    areas: dict[AreaKind, Area]
    where: dict[str, AreaKind]
    stands: list[Stand] = field(default_factory=list)
    infos: dict[str, StandInfo] = field(default_factory=dict)
    taken: list[tuple[Block, int]] = field(default_factory=list)
    unlisted: set[AreaKind] = field(default_factory=set)

    @property
    def days(self) -> int:
        return self.season.horizon.weeks * WEEK_DAYS


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
        season=Season(
            horizon, day, air_of(session, day), seed_book(session), here.plugs_per_ready_place
        ),
        slots=_kept(session, {bench.name: bench for bench, _ in rows}),
        areas=_areas(rows, horizon),
        where={bench.name: area.kind for bench, area in rows},
    )
    growing, planned = growing_batches(session), _planned_names(session)
    for one, way in zip(growing, passages(at.season.air, growing, day), strict=True):
        _growing(at, one, way, planned.get(one.batch.id))
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
    end = horizon.weeks * WEEK_DAYS
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


def _growing(at: _Build, one: Growing, way: Passage, start: str | None) -> None:
    batch, bench = one.batch, one.batch.bench
    for number, stay in enumerate(stays_left(at.season, one, way)):
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


def _planned_names(session: Session) -> dict[int | None, str]:
    """What was each batch called that a plan had planned, before it was started?"""
    made = select(PlannedStart).join(Batch).where(col(Batch.closed_on).is_(None))
    rows = session.exec(made.order_by(col(PlannedStart.id).desc()).options(*starts_with_ways()))
    return {row.batch_id: start_name(row) for row in rows}  # the first, where there are several


def _lots(at: _Build) -> None:
    season = at.season
    there = select(Lot).where(col(Lot.plugs) > 0).order_by(col(Lot.id))
    lots = at.session.exec(there.options(*with_batches())).all()
    ends_on = gone_by(at.session, season.horizon, season.today, season.air, lots)
    for lot in lots:
        bench = lot.batch.bench
        if bench is not None and bench.area.kind is not AreaKind.READY:
            bench = None
        ends = at.season.horizon.day_index(ends_on[lot.id or 0])
        places = at.season.ready_places(lot.plugs)
        stay = Stay(AreaKind.READY, None, 0, places, places, 1, 0, ends)
        name = f"{lot.batch.code} lot {lot.ready_on}"
        key = name if name not in at.infos else f"{name} {lot.pool.grade.value}"
        info = StandInfo(key, lot.batch.code, lot.batch.crop.name, "ready", places, 0, lot.batch_id)
        _add(at, info, stay, AreaKind.READY, [key, stand_name(lot.batch.code, 0)], bench)


def _not_made(session: Session, plan_id: int) -> Sequence[PlannedStart]:
    return session.exec(
        select(PlannedStart)
        .where(PlannedStart.plan_id == plan_id, col(PlannedStart.batch_id).is_(None))
        .order_by(col(PlannedStart.week), col(PlannedStart.id))
        .options(*starts_with_ways())
    ).all()


def _planned(at: _Build, rows: Sequence[PlannedStart | StartToCome]) -> None:
    season, horizon = at.season, at.season.horizon
    dwell: dict[int, tuple[tuple[int, ...], ...]] = {}
    for row in rows:
        week = horizon.index(Week.parse(row.week))
        if not 0 <= week < horizon.weeks:
            continue
        protocol = row.protocol
        weeks = dwell.get(protocol.id or 0) or stage_weeks(season.air, protocol, horizon)
        dwell[protocol.id or 0] = weeks
        name = start_name(row)
        for stay in stays_planned(season, row, protocol, week, weeks):
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


def _add(
    at: _Build,
    info: StandInfo,
    stay: Stay,
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
