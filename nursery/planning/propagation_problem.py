"""What has the solver to know of this nursery? The database as a propagation problem.

The mapping, word by word (weeks are ISO weeks, 0 is the week of today, a cost unit is a hundredth
of a cent):

- *Areas* are kinds of growing area, keyed by the kind's name: `planning.plan_places` says how many
  places of their benches a plan may use (out of use, cleaning, frost).
- *Work in progress*: growing batches hold places of the stages they have left, until their safe
  ready date, and ask for the minutes of each stage that they still enter. Lots that stand ready
  hold places of the ready bench (`planning.wanted`).
- *Minutes* of a week are those of all persons, a fifth less for each working day (Monday to
  Friday) on which the person is away or the site's region has a public holiday; overtime likewise.
  Recurring work that is listed is taken off first. A minute beyond overtime costs what a place
  beyond the benches costs for a week.
- *Mother blocks* give their weekly quota (the reserve is never in it) in weeks that lie wholly in
  their time of use and in no pause; what was taken this week already is subtracted. Seed lots are
  such propagules too: what is left of them, in weeks before their sow-by date (`growing.sowing`).
- *Crops*: demand, stock and ready plugs from `planning.wanted`; life, lateness and costs from the
  crop, those of unmet and late plugs weighed by priority (`planning.priorities`).
- *Protocols* are all protocols of a crop, keyed "crop / protocol". A tray started is one tray of
  the first stage's format; where a later stage has another format it takes as many trays as the
  plugs expected to live until then fill, rounded up, and its minutes and places are by tray.
  Dwell is the expected one (the median of the weather years, whole weeks rounded up). Seed comes
  up as its lot was tested. Plugs a tray are the safe quantity of one batch at the crop's service
  level, of as many trays as an ordinary week wants or the smallest batch if that is more, split by
  flush and rounded down in every week (`safe_flush`, where it is said what that assumes).
- *Accepted plan*: its starts of this week that have not been made yet are fixed and nothing else
  starts this week; its later starts cost a little to change (see `planning.accepted`). Starts that
  were made are batches already; those of weeks gone by that were not made are named in a note.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.clocks import NEVER
from nursery.crop import AreaKind, Crop, Protocol, Stage, with_protocols
from nursery.database import site, today
from nursery.errors import Fault
from nursery.growing.air import Air, air_of
from nursery.growing.growth import (
    Growing,
    growing_batches,
    growing_stages,
    parts,
    passages,
    stage_weeks,
)
from nursery.growing.learning import in_use
from nursery.growing.sowing import SeedBook, seed_book, seed_key, survival_of
from nursery.growing_area import Absence, Person, Site
from nursery.mother_plant import MotherBlock
from nursery.planning.accepted import protocol_key, with_accepted
from nursery.planning.by_consent import crop_key, protocols_of, usable
from nursery.planning.fingerprint import fingerprint
from nursery.planning.plan_places import growing_areas, places_a_tray
from nursery.planning.priorities import priorities
from nursery.planning.wanted import CropBook, Leftover, crop_books
from nursery.week.recurring import listed_work, usual_work, week_minutes
from nursery.weeks import Horizon, Week
from nursery.working_days import days_a_week, working_days
from nursery.yields import Survival, safe_plugs
from solver.propagation import Crop as PlannedCrop
from solver.propagation import Mother, Problem
from solver.propagation import Protocol as PlannedProtocol
from solver.propagation import Stage as PlannedStage

_LET_PASS = 0.1
_CENT = 100


@dataclass(frozen=True)
class BuildNotes:
    """How was a problem made, and what must the lead know of it?

    `protocol_ids` and `crop_ids` lead from the solver's keys back to the rows; `from_stock` are
    plugs of ready lots that meet demand, by crop key and week; `reserves` the mother plants that
    are never cut, by block; `accepted` is the version of the accepted plan that was looked at, if
    there is one; `sentences` are for the lead.
    """

    horizon: Horizon
    fingerprint: str
    protocol_ids: Mapping[str, int]
    crop_ids: Mapping[str, int]
    from_stock: Mapping[str, tuple[int, ...]]
    leftovers: tuple[Leftover, ...]
    reserves: Mapping[str, int]
    accepted: int | None
    weather: str
    sentences: tuple[str, ...]


@dataclass
class _Build:
    """What is read once and used by every part."""

    session: Session
    here: Site
    horizon: Horizon
    today: date
    air: Air
    seed: SeedBook
    notes: list[str]


def build_problem(session: Session, weeks: int) -> tuple[Problem, BuildNotes]:
    """Which problem does the propagation of the next `weeks` weeks pose? See the module.

    Reads only. Raises `Fault` for a nursery without a site, without a crop that has a protocol, or
    with rows that cannot be used.
    """
    here, day = site(session), today(session)
    horizon = Horizon(Week.of(day), weeks)
    at = _Build(session, here, horizon, day, air_of(session, day), seed_book(session), [])
    crops = _crops_with_protocols(at)
    dwell = {p.id: stage_weeks(at.air, p, horizon) for crop in crops for p in usable(crop)}
    parts = [(crop, part) for crop in crops for part in (False, True)]
    first_ready = {
        (crop.id or 0, part): _first_ready(protocols_of(crop, part), dwell, weeks)
        for crop, part in parts
        if not part or protocols_of(crop, part)
    }
    books = crop_books(session, horizon, day, first_ready, at.air)
    at.notes.extend(books.notes)
    at.notes.extend(in_use(session))
    weight = priorities(session)
    of_parts = {crop_key(c, part): books.of(c.id or 0, weeks, part) for c, part in parts}
    planned = tuple(
        _crop(at, crop, of_parts[crop_key(crop, part)], dwell, weight.get(crop.id or 0, 1.0))
        for crop, part in parts
        if not part or protocols_of(crop, part) or (crop.id or 0, part) in books.by_crop
    )
    growing = growing_batches(session)
    wip, minutes = _work_in_progress(at, growing)
    standing = [sum(book.standing[w] for book in books.by_crop.values()) for w in range(weeks)]
    per_place = here.plugs_per_ready_place
    wip[AreaKind.READY] = [
        taken + math.ceil(plugs / per_place)
        for taken, plugs in zip(wip[AreaKind.READY], standing, strict=True)
    ]
    areas, told = growing_areas(session, here, at.air, horizon, planned, wip)
    at.notes.extend(told)
    regular, overtime = _minutes(at)
    beyond = max(here.overflow_cents, here.overtime_cents_per_minute)
    problem = Problem(
        name=f"{here.name} from {horizon.start}",
        weeks=weeks,
        areas=areas,
        crops=planned,
        regular_minutes=regular,
        overtime_minutes=overtime,
        wip_minutes=tuple(minutes),
        regular_cost=_units(here.regular_cents_per_minute),
        overtime_cost=_units(here.overtime_cents_per_minute),
        beyond_cost=_units(beyond),
        overflow_cost=_units(here.overflow_cents),
        starts_per_week=here.starts_per_week,
        ready_area=AreaKind.READY.value,
        plugs_per_ready_place=per_place,
        mothers=(*_mothers(at), *_seeds(at, crops)),
    )
    problem, accepted, told = with_accepted(session, problem, horizon)
    at.notes.extend(told)
    names = {crop.name: crop.id or 0 for crop in crops}
    return problem, BuildNotes(
        horizon=horizon,
        fingerprint=fingerprint(problem),
        protocol_ids={protocol_key(p): p.id or 0 for crop in crops for p in usable(crop)},
        crop_ids=names,
        from_stock={crop.key: of_parts[crop.key].from_stock for crop in planned},
        leftovers=tuple(x for book in books.by_crop.values() for x in book.leftover),
        reserves={block.code: block.reserve for block in session.exec(select(MotherBlock)).all()},
        accepted=accepted,
        weather=at.air.source,
        sentences=tuple(at.notes),
    )


def _units(cents: float) -> int:
    return round(cents * _CENT)


def _crops_with_protocols(at: _Build) -> list[Crop]:
    crops = at.session.exec(select(Crop).options(with_protocols()).order_by(col(Crop.id))).all()
    for crop in crops:
        at.notes.extend(
            f"Protocol '{protocol_key(p)}' has no stages and is left out: add them to Stages"
            for p in crop.protocols
            if not p.stages
        )
    if not any(usable(crop) for crop in crops):
        raise Fault(
            "Nursery",
            "needs at least one crop with a protocol and its stages before it can be planned",
            len(crops),
            "fill in a workbook (`nursery template --short`) and load it (`nursery load`)",
        )
    return list(crops)


Dwell = Mapping[int | None, tuple[tuple[int, ...], ...]]


def _first_ready(protocols: Sequence[Protocol], dwell: Dwell, weeks: int) -> int:
    """In which week could a start of the first week be ready, at the earliest? Else the last."""
    found = [weeks - 1]
    for protocol in protocols:
        week = 0
        for stage in dwell[protocol.id]:
            week += stage[min(week, weeks - 1)]
        found.append(week)
    return min(found)


def _crop(at: _Build, crop: Crop, book: CropBook, dwell: Dwell, weight: float) -> PlannedCrop:
    return PlannedCrop(
        key=crop_key(crop, book.by_consent),
        demand=book.demand,
        ready=book.ready,
        life=crop.life_weeks,
        lateness=crop.lateness_weeks,
        shortage_cost=_units(weight * crop.shortage_cents),
        late_cost=_units(weight * crop.late_cents),
        store_cost=_units(crop.store_cents),
        discard_cost=_units(crop.discard_cents),
        protocols=tuple(
            _protocol(at, protocol, book.demand, dwell[protocol.id])
            for protocol in protocols_of(crop, book.by_consent)
        ),
    )


def _protocol(
    at: _Build, protocol: Protocol, demand: Sequence[int], dwell: tuple[tuple[int, ...], ...]
) -> PlannedProtocol:
    stages, cells = growing_stages(protocol), cells_of(protocol)
    source, taken = _source(at, protocol)
    germination = at.seed.germination(protocol, at.today)
    trays = [trays_in_stage(stages, place, cells, germination) for place in range(len(stages))]
    new_trays = sum(
        n * stage.tray_format.cost_cents
        for place, (n, stage) in enumerate(zip(trays, stages, strict=True))
        if stage.tray_format is not None
        and (place == 0 or stage.tray_format_id != stages[place - 1].tray_format_id)
    )
    return PlannedProtocol(
        key=protocol_key(protocol),
        tray_cost=_units(protocol.tray_cents + new_trays),
        batch_cost=(_units(protocol.batch_cents),) * at.horizon.weeks,
        batch_minutes=protocol.batch_minutes,
        smallest_batch=protocol.smallest_batch,
        plugs=safe_flush(protocol, ordinary_week(demand), germination=germination),
        stages=tuple(
            PlannedStage(
                area=stage.area_kind.value,
                places=n * places_a_tray(stage),
                minutes=_whole_minutes(n * stage.used_minutes),
                dwell=weeks,
            )
            for n, stage, weeks in zip(trays, stages, dwell, strict=True)
        ),
        mother=source,
        propagules=taken,
        extra_weeks=protocol.extra_weeks if stages else 0,
        extra_cost=_units(protocol.extra_cents),
    )


def _source(at: _Build, protocol: Protocol) -> tuple[str | None, int]:
    """Which propagules is it taken from, mother plants' or seed, and how many does a tray take?"""
    block = at.session.get(MotherBlock, protocol.mother_block_id or 0)
    if block is None and not at.seed.of(protocol):
        return None, 0
    name = block.code if block is not None else seed_key(protocol.crop)
    return name, math.ceil(cells_of(protocol) * protocol.propagules_per_cell)


def cells_of(protocol: Protocol) -> int:
    """How many cells has a tray as it is started? Those of the first stage that has a format.

    Raises `Fault` where no stage says which tray it stands in.
    """
    for stage in protocol.stages:
        if stage.tray_format is not None:
            return stage.tray_format.cells
    raise Fault(
        f"Protocol '{protocol_key(protocol)}'",
        "a stage must say which tray it stands in",
        None,
        "name the tray format in the Stages sheet",
    )


def ordinary_week(demand: Sequence[int]) -> float:
    """How many plugs does a week want that wants any? The median of such weeks, 0 without one."""
    wanted = [plugs for plugs in demand if plugs > 0]
    return float(median(wanted)) if wanted else 0.0


def safe_flush(
    protocol: Protocol,
    wanted: float,
    overdispersion_times: float = 1.0,
    germination: float | None = None,
) -> tuple[int, ...]:
    """How many plugs a tray can be counted on, by flush week, at the crop's service level?

    The beta-binomial's safe quantity of one batch (design 4.2), shared by its trays. Assumed:
    - A week's new plugs come from one batch. Where two flush in it they share the risk and more is
      there than is stated; to reckon on that broke the stated level where only one did.
    - The batch has the whole trays that `wanted` plugs fill, those of an ordinary week, and never
      fewer than the smallest batch. In fewer trays the luck of single plugs weighs a little more;
      rho, which is most of the risk, is the same for any number.
    - Each week counts on its share of the flush of that safe batch, in whole plugs, and a tray on
      its part of them rounded down (a tenth of a plug a tray is let pass, one of the whole batch at
      most): no week is asked for more than the safe batch gives in it, and all weeks together for
      no more than the safe batch. What that loses is under a plug a tray and flush week, nothing in
      a batch of one tray.
    `overdispersion_times` asks what it would be if trays of one batch fared more alike;
    `germination` is that of the seed it is sown from (`growing.sowing`).
    """
    cells = cells_of(protocol)
    together = survival_of(growing_stages(protocol), germination)
    rho = min(together.overdispersion * overdispersion_times, 0.999)
    together = Survival(together.mean, rho)
    trays = max(protocol.smallest_batch, int(wanted / max(1.0, cells * together.mean)), 1)
    safe = safe_plugs(cells, trays, together, protocol.crop.service_level)
    weeks = parts(safe, protocol.flush_shares)
    a_tray = [int(plugs / trays + min(_LET_PASS, 1 / trays)) for plugs in weeks]
    if sum(a_tray) * trays > safe:
        a_tray = [plugs // trays for plugs in weeks]
    return tuple(a_tray)


def trays_in_stage(
    stages: Sequence[Stage], place: int, cells: int, germination: float | None = None
) -> int:
    """How many trays of this stage's format does one tray that was started take?"""
    stage = stages[place]
    if stage.tray_format is None or stage.tray_format.cells == cells:
        return 1
    plugs = cells * survival_of(stages[:place], germination).mean
    return max(1, math.ceil(plugs / stage.tray_format.cells - 1e-9))


def _whole_minutes(minutes: float) -> int:
    return max(1, round(minutes)) if minutes > 0 else 0


def _work_in_progress(
    at: _Build, growing: Sequence[Growing]
) -> tuple[dict[AreaKind, list[int]], list[int]]:
    """Places by kind and minutes that batches take which grow already."""
    weeks = at.horizon.weeks
    places = {kind: [0] * weeks for kind in AreaKind}
    minutes = [0] * weeks
    safe = at.here.safe_quantile
    for one, way in zip(growing, passages(at.air, growing, at.today), strict=True):
        entry = 0
        left = one.stages_left
        for place, stage in enumerate(left):
            trays = batch_trays(one, place)
            if place and entry < weeks:
                minutes[entry] += _whole_minutes(trays * stage.used_minutes)
            end = way.leaves(safe, place)
            leave = weeks if end >= NEVER else max(0, at.horizon.index(at.air.date(end)))
            for week in range(entry, min(max(leave, entry + (place == 0)), weeks)):
                places[stage.area_kind][week] += trays * places_a_tray(stage)
            entry = leave
    return places, minutes


def batch_trays(one: Growing, place: int) -> int:
    """How many trays does a batch take in its `place`-th stage from now (0 is the present one)?"""
    stage = one.stages_left[place]
    same = stage.tray_format is None or stage.tray_format_id == one.batch.tray_format_id
    if place == 0 or same or stage.tray_format is None:
        return one.batch.trays
    seed = one.batch.seed_lot
    germination = seed.germination if seed is not None else None
    plugs = one.plugs * survival_of(one.stages_left[:place], germination).mean
    return max(1, math.ceil(plugs / stage.tray_format.cells - 1e-9))


def _minutes(at: _Build) -> tuple[tuple[int, ...], tuple[int, ...]]:
    persons = at.session.exec(select(Person)).all()
    if not persons:
        at.notes.append("Nobody is listed in People: every minute counts as beyond overtime")
    away: dict[int, list[Absence]] = {}
    for absence in at.session.exec(select(Absence)).all():
        away.setdefault(absence.person_id, []).append(absence)
    regular, overtime = [], []
    recurring = listed_work(at.session)
    if not recurring:
        usual = week_minutes(list(usual_work()), at.horizon.start)
        at.notes.append(
            f"No recurring work is listed: the usual rounds ({usual} minutes a week) stand on the "
            "week sheet and are not taken off the hours; list yours in Recurring work"
        )
    for week in at.horizon.all_weeks():
        days = working_days(at.here, week)
        shares = {
            p.id: sum(
                not any(a.first_day <= day <= a.last_day for a in away.get(p.id or 0, ()))
                for day in days
            )
            / days_a_week(at.here)
            for p in persons
        }
        left = int(sum(p.minutes_a_week * shares[p.id] for p in persons))
        left -= week_minutes(recurring, week)
        more = int(sum(p.overtime_minutes * shares[p.id] for p in persons))
        regular.append(max(0, left))
        overtime.append(max(0, more + min(0, left)))
    return tuple(regular), tuple(overtime)


def _mothers(at: _Build) -> tuple[Mother, ...]:
    blocks = at.session.exec(select(MotherBlock).order_by(col(MotherBlock.id))).all()
    taken = _taken_this_week(at)
    found = []
    for block in blocks:
        quota = [block.weekly_quota if _in_use(block, w) else 0 for w in at.horizon.all_weeks()]
        quota[0] = max(0, quota[0] - taken.get(block.id or 0, 0))
        found.append(Mother(block.code, tuple(quota)))
    return tuple(found)


def _seeds(at: _Build, crops: Sequence[Crop]) -> list[Mother]:
    """The seed that may be sown in each week, by crop."""
    found = []
    for crop in crops:
        quotas = (at.seed.quota(protocol, at.horizon) for protocol in usable(crop))
        quota = next((q for q in quotas if q is not None), None)
        if quota is not None:
            found.append(Mother(seed_key(crop), quota))
    return found


def _in_use(block: MotherBlock, week: Week) -> bool:
    if block.use_from is not None and week.monday() < block.use_from:
        return False
    if block.use_until is not None and week.sunday() > block.use_until:
        return False
    return not any(pause.covers(week.number) for pause in block.pauses)


def _taken_this_week(at: _Build) -> dict[int, int]:
    monday = at.horizon.start.monday()
    rows = at.session.exec(
        select(Batch).where(
            col(Batch.mother_block_id).is_not(None),
            col(Batch.started_on) >= monday,
            col(Batch.started_on) < monday + timedelta(days=7),
        )
    ).all()
    taken: dict[int, int] = {}
    for batch in rows:
        cells = batch.trays * batch.tray_format.cells
        number = math.ceil(cells * batch.protocol.propagules_per_cell)
        taken[batch.mother_block_id or 0] = taken.get(batch.mother_block_id or 0, 0) + number
    return taken
