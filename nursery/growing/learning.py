"""What do the nursery's own records say of survival, dwell, flush and minutes, beside the book?

Shown as book / yours / used: the book's value, what the records say by themselves, and both
together, the book weighing four batches (`growing.fits`). Nothing is used until the lead says so
(`use`): then it stands beside the book's with a name and a date, plans and supply reckon with it
and say so, and `use_book` goes back.

Left out of the fits: records that say why they are left out, stages that a batch has not left, and,
for survival, passages at whose end nobody counted (`growing.recording`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.clocks import EXPECTED, NEVER, quantile_days
from nursery.crop import Clock, Protocol, Stage, StageKind, parse_flush
from nursery.database import now, today
from nursery.day_entry import DayAction, DayEntry
from nursery.errors import Fault
from nursery.growing import fits
from nursery.growing.air import Air, air_of
from nursery.growing.growth import growing_batches, growing_stages, stage_clock
from nursery.growing.sowing import seed_book
from nursery.locks import lock_pools
from nursery.planning.accepted import protocol_key
from nursery.records import FlushRecord, LearnedUse, Quantity, StageRecord, TaskRecord
from nursery.stock import Pool
from nursery.yields import Survival

UNITS = {
    Quantity.SURVIVAL: "share",
    Quantity.OVERDISPERSION: "rho",
    Quantity.DWELL: "days",
    Quantity.MINUTES: "minutes",
    Quantity.FLUSH: "share",
}

MOST_FLUSH_WEEKS = 6
"""Plugs that are ready later than this count in the last of these weeks."""

_FIELDS = {
    Quantity.SURVIVAL: "learned_survival",
    Quantity.OVERDISPERSION: "learned_overdispersion",
    Quantity.DWELL: "learned_days",
    Quantity.MINUTES: "learned_minutes",
}


@dataclass(frozen=True, slots=True)
class Learned:
    """One quantity of a stage as book / yours / used, and what plans reckon with at present.

    `stage` is the stage's word; of a flush it is "ready" and `week` counts from 0. `low` to `high`
    holds the nursery's own value in nine of ten cases; None under three batches. `yours` is never
    None here. `planned` is the book's until the lead uses the learned value (`in_use`). `note`
    says what was left out, or why a value does not act.
    """

    crop: str
    protocol: str
    stage: str
    quantity: Quantity
    book: float
    yours: float | None
    used: float
    low: float | None
    high: float | None
    batches: int
    planned: float
    in_use: bool
    note: str
    protocol_id: int
    stage_id: int | None
    week: int | None = None

    @property
    def unit(self) -> str:
        """In which unit are the values?"""
        return UNITS[self.quantity]


@dataclass
class _Found:
    """What the records hold of one stage."""

    passages: list[StageRecord] = field(default_factory=list)
    tasks: list[tuple[float, int]] = field(default_factory=list)


def learned(session: Session) -> tuple[Learned, ...]:
    """What do the records say, for every stage and flush of which there are any?

    By crop, protocol and stage. Reads only; some hundredths of a second a stage.
    """
    air = air_of(session, today(session))
    found = _found(session)
    flushes = _flushes(session)
    tested = seed_book(session)
    answer: list[Learned] = []
    for protocol in _protocols(session):
        for stage in growing_stages(protocol) if protocol.stages else ():
            at = found.get(stage.id or 0, _Found())
            is_tested = bool(tested.of(protocol))
            answer.extend(_survival(protocol, stage, at, is_tested))
            answer.extend(_dwell(air, protocol, stage, at))
            answer.extend(_minutes(protocol, stage, at))
        answer.extend(_flush(protocol, flushes.get(protocol.id or 0, [])))
    return tuple(answer)


def use(session: Session, values: Sequence[Learned], actor: str) -> list[LearnedUse]:
    """Which decisions are stored, so that plans and supply reckon with these learned values?

    Of a flush all weeks must be among them. Locks the pools of the crops concerned, since what
    growing batches will give changes with it.
    """
    return _decide(session, values, actor, learned_ones=True)


def use_book(session: Session, values: Sequence[Learned], actor: str) -> list[LearnedUse]:
    """Which decisions are stored, so that the book's values stand again?

    Those that the book's stand for already are passed over.
    """
    return _decide(session, [v for v in values if v.in_use], actor, learned_ones=False)


def in_use(session: Session) -> list[str]:
    """What must the lead be told of learned values that stand in the plan? At most one sentence."""
    stages = [s for s in session.exec(select(Stage)).all() if _is_learned(s)]
    protocols = session.exec(select(Protocol).where(Protocol.learned_flush != "")).all()
    if not stages and not protocols:
        return []
    last = session.exec(select(LearnedUse).order_by(col(LearnedUse.id).desc())).first()
    crops = {s.protocol.crop.name for s in stages} | {p.crop.name for p in protocols}
    by = f" (last by {last.used_by} on {last.used_at.date()})" if last is not None else ""
    named = ", ".join(sorted(crops)[:4]) + (f" and {len(crops) - 4} more" * (len(crops) > 4))
    return [
        f"Learned values are used in place of the book's for {named}{by}: `nursery learn` shows "
        "them, `nursery learn --book` goes back"
    ]


def _is_learned(stage: Stage) -> bool:
    return any(getattr(stage, name) is not None for name in _FIELDS.values())


def _protocols(session: Session) -> list[Protocol]:
    rows = session.exec(select(Protocol)).all()
    return sorted(rows, key=lambda row: (row.crop.name, row.name))


def _found(session: Session) -> dict[int, _Found]:
    found: dict[int, _Found] = defaultdict(_Found)
    where = {
        code: stage if ready is None and closed is None else None
        for code, stage, ready, closed in session.exec(
            select(col(Batch.code), col(Batch.stage_id), col(Batch.ready_on), col(Batch.closed_on))
        ).all()
    }
    positions = {s.id: s.position for s in session.exec(select(Stage)).all()}
    passages = session.exec(select(StageRecord).where(col(StageRecord.left_on).is_not(None))).all()
    for row in passages:
        stands = where.get(row.batch_code)
        # A move that was undone leaves a record of a stage that the batch stands in again.
        undone = stands is not None and positions[row.stage_id] >= positions[stands]
        if not row.left_out and not undone:
            found[row.stage_id].passages.append(row)
    for (_, stage_id), task in _tasks(session, passages).items():
        found[stage_id].tasks.append(task)
    return found


def _tasks(
    session: Session, passages: Sequence[StageRecord]
) -> dict[tuple[str, int], tuple[float, int]]:
    """Minutes and trays by batch and stage, from the day book and from task records."""
    undone = select(DayEntry.undoes_id).where(col(DayEntry.undoes_id).is_not(None))
    entries = session.exec(
        select(DayEntry, Batch)
        .join(Batch, col(DayEntry.batch_id) == col(Batch.id))
        .where(
            col(DayEntry.minutes).is_not(None),
            col(DayEntry.trays) > 0,
            col(DayEntry.action).in_([DayAction.STARTED, DayAction.MOVED]),
            col(DayEntry.undoes_id).is_(None),
            col(DayEntry.id).not_in(undone),
        )
    ).all()
    records = session.exec(select(StageRecord)).all() if entries else passages
    entered = {(row.batch_code, row.entered_on): row.stage_id for row in records}
    found: dict[tuple[str, int], tuple[float, int]] = {}
    for entry, batch in entries:
        stage_id = entered.get((batch.code, entry.done_on))
        if entry.action is DayAction.STARTED:
            stage_id = growing_stages(batch.protocol)[0].id
        if stage_id is not None:
            found[batch.code, stage_id] = (float(entry.minutes or 0), entry.trays)
    for task in session.exec(select(TaskRecord)).all():
        found[task.batch_code, task.stage_id] = (task.minutes, task.trays)
    return found


def _flushes(session: Session) -> dict[int, list[dict[int, int]]]:
    """Plugs by week of each batch that has no more plugs growing, by protocol."""
    growing = {one.batch.code for one in growing_batches(session)}
    made: dict[tuple[int, str], dict[int, int]] = defaultdict(dict)
    for row in session.exec(select(FlushRecord)).all():
        if row.plugs and row.batch_code not in growing:
            week = min(row.week, MOST_FLUSH_WEEKS - 1)
            weeks = made[row.protocol_id, row.batch_code]
            weeks[week] = weeks.get(week, 0) + row.plugs
    found: dict[int, list[dict[int, int]]] = defaultdict(list)
    for (protocol_id, _), weeks in sorted(made.items()):
        found[protocol_id].append(weeks)
    return found


def _survival(protocol: Protocol, stage: Stage, at: _Found, is_tested: bool) -> Iterator[Learned]:
    counted = [(row.plugs_out, row.plugs_in) for row in at.passages if row.plugs_out is not None]
    if not counted:
        return
    usable, started = zip(*counted, strict=True)
    book = Survival(stage.survival, stage.overdispersion)
    mean, rho = fits.survival(usable, started, book)
    missing = len(at.passages) - len(counted)
    notes = [f"{missing} more left the stage without a count"] if missing else []
    if is_tested and stage.kind is StageKind.STRIKE:
        notes.append("plans reckon with the seed lots' tested germination")
    note = "; ".join(notes)
    yield _row(protocol, stage, Quantity.SURVIVAL, mean, stage.learned_survival, note)
    if rho.yours is not None and rho.used > max(rho.book, rho.yours):
        doubt = "used rho is above both, as book and yours disagree on survival"
        note = "; ".join([*notes, f"{doubt}: more batches settle it"])
    yield _row(protocol, stage, Quantity.OVERDISPERSION, rho, stage.learned_overdispersion, note)


def _dwell(air: Air, protocol: Protocol, stage: Stage, at: _Found) -> Iterator[Learned]:
    by_area: dict[int | None, list[StageRecord]] = defaultdict(list)
    for row in at.passages:
        by_area[row.area_id].append(row)
    beside: list[int] = []
    for area_id, rows in by_area.items():
        by_clock = clock_days(air, stage, [row.entered_on for row in rows], area_id)
        beside.extend(
            (row.left_on - row.entered_on).days - days
            for row, days in zip(rows, by_clock, strict=True)
            if days is not None and row.left_on is not None
        )
    if beside:
        unknown = len(at.passages) - len(beside)
        note = f"of {unknown} more the weather is not known" if unknown else ""
        fit = fits.days_beside(beside)
        yield _row(protocol, stage, Quantity.DWELL, fit, stage.learned_days, note)


def clock_days(
    air: Air, stage: Stage, entered: Sequence[date], area_id: int | None = None
) -> list[int | None]:
    """How many days does the book's clock give batches that came into the stage on these days?

    The median of the weather years (days that were observed are the same in each), in the slowest
    area that they may have stood in. None where there is no weather for those days.
    """
    if stage.clock != Clock.DAYS and air.outside is None:
        return [None] * len(entered)
    entries = np.array([air.day(day) for day in entered], dtype=np.int64)
    days = np.max(
        [
            quantile_days(air.dwell(stage_clock(stage), felt, entries), EXPECTED)
            for felt in air.of(stage.area_kind, stage.clock, area_id)
        ],
        axis=0,
    )
    return [int(n) if n < NEVER else None for n in days]


def _minutes(protocol: Protocol, stage: Stage, at: _Found) -> Iterator[Learned]:
    if not at.tasks:
        return
    first = stage.id == growing_stages(protocol)[0].id
    fixed = protocol.batch_minutes if first else 0
    spent = [minutes - fixed for minutes, _ in at.tasks]
    fit = fits.minutes_a_tray(spent, [trays for _, trays in at.tasks], stage.minutes)
    note = f"after {fixed} minutes a batch" if fixed else ""
    yield _row(protocol, stage, Quantity.MINUTES, fit, stage.learned_minutes, note)


def _flush(protocol: Protocol, batches: list[dict[int, int]]) -> Iterator[Learned]:
    if not batches:
        return
    weeks = 1 + max(max(batch) for batch in batches)
    made = [[batch.get(week, 0) for week in range(weeks)] for batch in batches]
    found = fits.flush(made, parse_flush(protocol.flush))
    planned = (*protocol.flush_shares, *[0.0] * len(found))
    for week, fit in enumerate(found):
        yield Learned(
            crop=protocol.crop.name,
            protocol=protocol.name,
            stage=StageKind.READY.value,
            quantity=Quantity.FLUSH,
            book=fit.book,
            yours=fit.yours,
            used=fit.used,
            low=fit.low,
            high=fit.high,
            batches=fit.records,
            planned=planned[week],
            in_use=bool(protocol.learned_flush),
            note="",
            protocol_id=protocol.id or 0,
            stage_id=None,
            week=week,
        )


def _row(
    protocol: Protocol,
    stage: Stage,
    quantity: Quantity,
    fit: fits.Fitted,
    stands: float | None,
    note: str,
) -> Learned:
    return Learned(
        crop=protocol.crop.name,
        protocol=protocol.name,
        stage=stage.kind.value,
        quantity=quantity,
        book=fit.book,
        yours=fit.yours,
        used=fit.used,
        low=fit.low,
        high=fit.high,
        batches=fit.records,
        planned=fit.book if stands is None else stands,
        in_use=stands is not None,
        note=note,
        protocol_id=protocol.id or 0,
        stage_id=stage.id,
    )


def _decide(
    session: Session, values: Sequence[Learned], actor: str, learned_ones: bool
) -> list[LearnedUse]:
    if not actor.strip():
        raise Fault("Learned values", "need somebody who decides on them", actor, "say who")
    _lock(session, {value.protocol_id for value in values})
    rows = [
        _decide_stage(session, value, actor, learned_ones)
        for value in values
        if value.quantity is not Quantity.FLUSH
    ]
    flushes: dict[int, list[Learned]] = defaultdict(list)
    for value in values:
        if value.quantity is Quantity.FLUSH:
            flushes[value.protocol_id].append(value)
    rows += [_decide_flush(session, weeks, actor, learned_ones) for weeks in flushes.values()]
    session.add_all(rows)
    session.flush()
    return rows


def _decide_stage(session: Session, value: Learned, actor: str, learned_one: bool) -> LearnedUse:
    stage = session.get_one(Stage, value.stage_id)
    setattr(stage, _FIELDS[value.quantity], value.used if learned_one else None)
    session.add(stage)
    return LearnedUse(
        protocol_id=value.protocol_id,
        stage_id=value.stage_id,
        quantity=value.quantity,
        value=value.used if learned_one else None,
        book=f"{value.book:g}",
        batches=value.batches,
        used_by=actor,
        used_at=now(session),
    )


def _decide_flush(
    session: Session, weeks: Sequence[Learned], actor: str, learned_one: bool
) -> LearnedUse:
    protocol = session.get_one(Protocol, weeks[0].protocol_id)
    ordered = sorted(weeks, key=lambda value: value.week or 0)
    if abs(sum(value.used for value in ordered) - 1) > 1e-6:
        thing = f"Flush of '{protocol_key(protocol)}'"
        raise Fault(thing, "must have all its weeks", len(ordered), "use them together")
    shares = "/".join(f"{100 * value.used:.1f}" for value in ordered) if learned_one else ""
    protocol.learned_flush = shares
    session.add(protocol)
    return LearnedUse(
        protocol_id=protocol.id or 0,
        quantity=Quantity.FLUSH,
        shares=shares,
        book=protocol.flush,
        batches=ordered[0].batches,
        used_by=actor,
        used_at=now(session),
    )


def _lock(session: Session, protocol_ids: set[int]) -> None:
    pools = session.exec(
        select(Pool.id)
        .join(Protocol, col(Protocol.crop_id) == col(Pool.crop_id))
        .where(col(Protocol.id).in_(protocol_ids))
    ).all()
    lock_pools(session, sorted({pool for pool in pools if pool is not None}))
