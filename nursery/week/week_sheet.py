"""What is to be done in a week, batch by batch?

From the accepted plan (what is started) and the batches and lots that are there (what moves on,
is hardened off, set aside as ready, sold out or thrown away, counted). Moves follow the expected
date; a batch that is overdue stays on the sheet of this week until it has moved.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.clocks import EXPECTED, NEVER
from nursery.crop import Protocol, Stage, StageKind
from nursery.database import site, today
from nursery.growing.air import Air, air_of
from nursery.growing.batch_work import discard, move_batch, set_ready, start_batch
from nursery.growing.gap_up import due
from nursery.growing.growth import (
    Growing,
    Passage,
    flush_left,
    growing_batches,
    growing_stages,
    parts,
    passages,
)
from nursery.growing.sowing import seed_book
from nursery.growing_area import Site
from nursery.mother_plant import MotherBlock
from nursery.planned import PlannedStart, starts_with_ways
from nursery.planning.accepted import accepted_plan
from nursery.planning.propagation_problem import batch_trays, cells_of
from nursery.shed.veto import saleable
from nursery.stock import Lot, with_batches
from nursery.week.glut import GlutAdvice, glut_advice
from nursery.week.recurring import Round, rounds
from nursery.week.shade_rounds import shade_rounds
from nursery.weeks import Week
from nursery.working_days import last_working_day

ARRIVES = "arrives: count it, look it over for pests, keep it apart from the others"
"""What is done with plants that a supplier delivers."""


class TaskKind(StrEnum):
    """What is to be done with a batch."""

    START = "start"
    MOVE = "move"
    HARDEN_OFF = "harden off"
    READY = "set aside as ready"
    GAP_UP = "gap up"
    DISCARD = "discard or pot on"
    COUNT = "count"


@dataclass(frozen=True, slots=True)
class Task:
    """One line of the week sheet.

    `batch` is the batch's code ("" for one that is to be started), `come_from` and `go_to` are
    places in words. `latest` is the last day on which it is still in time. `stopped` says why it
    may not be done now ("" where it may). The ids lead back to the rows; `donor_id` is the batch
    whose plugs fill the gaps. `key` names the line for `nursery done`, the same until it is done.
    `note` says what else must be at hand: which trays, how many propagules.
    """

    kind: TaskKind
    batch: str
    crop: str
    come_from: str
    go_to: str
    trays: int
    plugs: int
    minutes: int
    latest: date
    stopped: str = ""
    batch_id: int | None = None
    lot_id: int | None = None
    planned_start_id: int | None = None
    donor_id: int | None = None
    key: str = ""
    note: str = ""


@dataclass(frozen=True)
class WeekSheet:
    """The tasks of one week, in the order of their latest day, and the plan they come from.

    `rounds` are recurring work, day by day (`week.recurring`), `glut` what to do with plugs that
    nothing on the book or expected takes (`week.glut`).
    """

    week: str
    plan_version: int | None
    tasks: tuple[Task, ...]
    rounds: tuple[Round, ...] = ()
    glut: tuple[GlutAdvice, ...] = ()

    @property
    def minutes(self) -> int:
        """How many minutes of work are on the sheet?"""
        return sum(task.minutes for task in self.tasks)

    @property
    def round_minutes(self) -> int:
        """How many minutes of all hands does recurring work take besides?"""
        return sum(one.minutes * one.persons for one in self.rounds)

    def of(self, kind: TaskKind) -> tuple[Task, ...]:
        """Which tasks are of this kind?"""
        return tuple(task for task in self.tasks if task.kind is kind)


def week_sheet(session: Session, week: Week) -> WeekSheet:
    """What is to be done in this week? Reads only.

    For this week, what is overdue is on it as well; for a later week, what falls due in it.
    """
    day = today(session)
    here, this_week = site(session), week == Week.of(day)
    last_day = last_working_day(here, week)
    growing = growing_batches(session)
    air = air_of(session, day)
    tasks: list[Task] = [*_starts(session, week, last_day)]
    for one, way in zip(growing, passages(air, growing, day), strict=True):
        tasks.extend(_changes(one, way, air, week, this_week, last_day, here))
    tasks.extend(_lots_that_end(session, week, this_week))
    tasks.extend(_counts_due(session, growing, week, this_week, last_day))
    tasks.extend(_gap_ups(session, growing, week, this_week, last_day))
    plan = accepted_plan(session)
    tasks.sort(key=lambda task: (task.latest, list(TaskKind).index(task.kind), task.batch))
    return WeekSheet(
        str(week),
        plan.version if plan is not None else None,
        tuple(_keyed(session, tasks)),
        tuple(sorted((*rounds(session, week, here), *shade_rounds(session, week)), key=_by_day)),
        tuple(glut_advice(session, day, air)) if this_week else (),
    )


def _by_day(one: Round) -> tuple[date, str]:
    return one.day, one.name


def _starts(session: Session, week: Week, last_day: date) -> Iterator[Task]:
    plan = accepted_plan(session)
    if plan is None:
        return
    rows = session.exec(
        select(PlannedStart)
        .where(
            PlannedStart.plan_id == plan.id,
            PlannedStart.week == str(week),
            col(PlannedStart.batch_id).is_(None),
        )
        .options(*starts_with_ways())
    ).all()
    seed = seed_book(session)
    blocks = dict(session.exec(select(col(MotherBlock.id), col(MotherBlock.code))).all())
    for row in rows:
        protocol = row.protocol
        first = growing_stages(protocol)[:1]
        ordered = bool(first) and first[0].kind is StageKind.ON_ORDER
        sow_by = [one.lot.sow_by for one in seed.of(protocol) if one.left > 0]
        work = sum(stage.used_minutes for stage in first)
        yield Task(
            kind=TaskKind.START,
            batch="",
            crop=protocol.crop.name,
            come_from="order from the supplier" if ordered else _origin(blocks, protocol),
            go_to=_where(first[0]) if first else "ready bench",
            trays=row.trays,
            plugs=row.trays * cells_of(protocol),
            minutes=protocol.batch_minutes + math.ceil(row.trays * work),
            latest=min([last_day, *(day for day in sow_by if day >= week.monday())]),
            planned_start_id=row.id,
            note=_to_start(first[0], protocol, row.trays) if first else "",
        )


def _to_start(stage: Stage, protocol: Protocol, trays: int) -> str:
    """Which trays are fetched, and how many propagules are taken of the mother plants?"""
    said = [f"fill trays {stage.tray_format.name}"] if stage.tray_format is not None else []
    if stage.kind is StageKind.ON_ORDER:
        said = []  # a supplier's plants come in their own trays
    if protocol.mother_block_id is not None:
        number = math.ceil(trays * cells_of(protocol) * protocol.propagules_per_cell)
        said.append(f"take {number} propagules ({protocol.method.value})")
    return ", ".join(said)


def _where(stage: Stage) -> str:
    return stage.kind.value if stage.kind is StageKind.ON_ORDER else stage.area_kind.value


def _origin(blocks: Mapping[int | None, str], protocol: Protocol) -> str:
    block = blocks.get(protocol.mother_block_id)
    return protocol.method.value if block is None else f"mother block {block}"


def _changes(
    one: Growing,
    way: Passage,
    air: Air,
    week: Week,
    this_week: bool,
    last_day: date,
    here: Site,
) -> Iterator[Task]:
    """Moves of a batch whose stages end in this week, or should have ended before it."""
    left = one.stages_left
    if not left:
        since = one.batch.ready_on or one.batch.stage_entered_on
        yield from _flushes(
            one, since, one.batch.trays, _place(one.batch), week, this_week, last_day, here
        )
        return
    for place, stage in enumerate(left):
        end = way.leaves(EXPECTED, place)
        if end >= NEVER or air.date(end) > week.sunday():
            return
        overdue = place == 0 and this_week
        come_from = _place(one.batch) if place == 0 else _comes_from(stage)
        if place + 1 == len(left):
            trays = batch_trays(one, place)
            first = air.date(end)
            yield from _flushes(one, first, trays, come_from, week, overdue, last_day, here)
        elif overdue or air.date(end) >= week.monday():
            yield _move_task(one, left[place + 1], place + 1, come_from, last_day)


def _move_task(one: Growing, to: Stage, place: int, come_from: str, last_day: date) -> Task:
    trays = batch_trays(one, place)
    return Task(
        kind=TaskKind.HARDEN_OFF if to.kind is StageKind.HARDEN_OFF else TaskKind.MOVE,
        batch=one.batch.code,
        crop=one.batch.crop.name,
        come_from=come_from,
        go_to=to.area_kind.value,
        trays=trays,
        plugs=one.plugs,
        minutes=math.ceil(trays * to.used_minutes),
        latest=last_day,
        stopped=_stopped(one),
        batch_id=one.batch.id,
        note=_set_over(one, to, place),
    )


def _set_over(one: Growing, to: Stage, place: int) -> str:
    """Into which trays is the batch set over, where the stage wants others; or how does it come?"""
    if one.stages_left[place - 1].kind is StageKind.ON_ORDER:
        return ARRIVES
    before = [one.batch.tray_format, *(s.tray_format for s in one.stages_left[1:place])]
    stands = [form for form in before if form is not None][-1]
    other = to.tray_format is not None and to.tray_format.id != stands.id
    return f"set over into trays {to.tray_format.name}" if other and to.tray_format else ""


def _flushes(
    one: Growing,
    first: date,
    trays: int,
    come_from: str,
    week: Week,
    overdue: bool,
    last_day: date,
    here: Site,
) -> Iterator[Task]:
    """The shares of a batch that are set aside in this week: the first on `first`, then weekly.

    Of a batch that gave lots already, `first` is the day of its first lot. What is overdue is one
    line with what falls due in this week.
    """
    shares = one.batch.protocol.flush_shares
    left = flush_left(shares, one.plugs, one.made)
    given = len(shares) - len(left)
    due = [
        plugs
        for later, plugs in enumerate(parts(one.plugs, left))
        if (day := first + timedelta(days=7 * (given + later))) <= week.sunday()
        and (overdue or day >= week.monday())
    ]
    if sum(due):
        part = sum(due) / one.plugs
        some = max(1, math.ceil(trays * part))
        yield _ready_task(one, some, sum(due), come_from, last_day, here)


def _ready_task(
    one: Growing, trays: int, plugs: int, come_from: str, last_day: date, here: Site
) -> Task:
    return Task(
        kind=TaskKind.READY,
        batch=one.batch.code,
        crop=one.batch.crop.name,
        come_from=come_from,
        go_to="ready bench",
        trays=trays,
        plugs=plugs,
        minutes=math.ceil(trays * here.count_minutes_a_tray),
        latest=last_day,
        stopped=_stopped(one),
        batch_id=one.batch.id,
    )


def _stopped(one: Growing) -> str:
    return "under a veto: do not move until it is signed off" if one.vetoed else ""


def _place(batch: Batch) -> str:
    return batch.bench.name if batch.bench is not None else _comes_from(batch.stage)


def _comes_from(stage: Stage) -> str:
    return "the supplier" if stage.kind is StageKind.ON_ORDER else _where(stage)


def _lots_that_end(session: Session, week: Week, this_week: bool) -> Iterator[Task]:
    query = select(Lot).where(col(Lot.plugs) > 0, col(Lot.last_sale_on) <= week.sunday())
    if not this_week:
        query = query.where(col(Lot.last_sale_on) >= week.monday())
    query = query.order_by(col(Lot.last_sale_on), col(Lot.id)).options(*with_batches())
    lots = session.exec(query).all()
    clear = saleable(session, [lot.id for lot in lots if lot.id is not None])
    a_tray = site(session).count_minutes_a_tray
    for lot in lots:
        cells = lot.batch.tray_format.cells
        trays = math.ceil(lot.plugs / cells)
        yield Task(
            kind=TaskKind.DISCARD,
            batch=lot.batch.code,
            crop=lot.batch.crop.name,
            come_from=_place(lot.batch),
            go_to="out, or a larger tray",
            trays=trays,
            plugs=lot.plugs,
            minutes=math.ceil(trays * a_tray),
            latest=lot.last_sale_on,
            stopped="" if lot.id in clear else "not clear or under a veto: ask before it is moved",
            batch_id=lot.batch_id,
            lot_id=lot.id,
        )


def _counts_due(
    session: Session, growing: list[Growing], week: Week, this_week: bool, last_day: date
) -> Iterator[Task]:
    last = dict(
        session.exec(
            select(Count.batch_id, func.max(Count.counted_at))
            .where(col(Count.withdrawn_at).is_(None))
            .group_by(col(Count.batch_id))
        ).all()
    )
    here = site(session)
    for one in growing:
        at = last.get(one.batch.id or 0)
        since = at.date() if at is not None else one.batch.started_on
        due = since + timedelta(days=here.count_every_days)
        if due > week.sunday() or (due < week.monday() and not this_week):
            continue
        yield Task(
            kind=TaskKind.COUNT,
            batch=one.batch.code,
            crop=one.batch.crop.name,
            come_from=_place(one.batch),
            go_to="",
            trays=one.batch.trays,
            plugs=one.plugs,
            minutes=math.ceil(one.batch.trays * here.count_minutes_a_tray),
            latest=last_day,
            batch_id=one.batch.id,
        )


def _gap_ups(
    session: Session, growing: list[Growing], week: Week, this_week: bool, last_day: date
) -> Iterator[Task]:
    for gap in due(session, growing, week.monday(), week.sunday(), this_week):
        batch = gap.batch.batch
        donor = gap.donor.batch if gap.donor is not None else batch
        yield Task(
            kind=TaskKind.GAP_UP,
            batch=batch.code,
            crop=batch.crop.name,
            come_from=f"{donor.code}, {_place(donor)}",
            go_to=f"{batch.code}, {_place(batch)}; {gap.trays} trays come free",
            trays=gap.trays,
            plugs=gap.plugs,
            minutes=gap.minutes,
            latest=last_day,
            batch_id=batch.id,
            donor_id=gap.donor.batch.id if gap.donor is not None else None,
        )


_LETTERS = {
    TaskKind.START: "S",
    TaskKind.MOVE: "M",
    TaskKind.HARDEN_OFF: "H",
    TaskKind.READY: "R",
    TaskKind.GAP_UP: "G",
    TaskKind.DISCARD: "D",
    TaskKind.COUNT: "C",
}


def _keyed(session: Session, tasks: list[Task]) -> Iterator[Task]:
    """The tasks with their keys, from the rows that they are about and how far those are.

    A letter for the kind and the row's number; then the stage that is moved to, or which lot or
    count of the batch it is to be, so that a line that was done never names the next one.
    """
    ids = {task.batch_id for task in tasks if task.batch_id is not None}
    lots, counts = (
        dict(
            session.exec(
                select(rows.batch_id, func.count())
                .where(col(rows.batch_id).in_(ids))
                .group_by(col(rows.batch_id))
            ).all()
        )
        for rows in (Lot, Count)
    )
    moves: dict[int, int] = {}
    for task in tasks:
        key = task.batch_id or 0
        if task.kind in (TaskKind.MOVE, TaskKind.HARDEN_OFF):
            at = moves.get(key) or session.get_one(Batch, key).stage.position
            moves[key] = at + 1
            name = f"{key}.{at + 1}"
        elif task.kind is TaskKind.READY:
            name = f"{key}.{lots.get(key, 0) + 1}"
        elif task.kind is TaskKind.COUNT:
            name = f"{key}.{counts.get(key, 0) + 1}"
        else:
            name = str(task.lot_id or task.planned_start_id or key)
        yield replace(task, key=_LETTERS[task.kind] + name)


__all__ = [
    "Task",
    "TaskKind",
    "WeekSheet",
    "discard",
    "move_batch",
    "set_ready",
    "start_batch",
    "week_sheet",
]
