"""What is checked before a batch is started, moved or set aside, and what is said where it fails?

A refusal names the thing, the rule and the value, and what to do next. What a person plainly did is
never refused because it was not planned; what cannot be meant is: trays typed as plugs, a day to
come, a bench of the wrong kind.
"""

from __future__ import annotations

import math
import re
from datetime import date, timedelta

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.crop import AreaKind, Stage
from nursery.database import today
from nursery.errors import Refusal, Refused
from nursery.growing_area import Bench, GrowingArea
from nursery.mother_plant import MotherBlock
from nursery.stock import Veto
from nursery.weeks import Week

MOST_CELLS = 1_000_000
"""More cells than these are no batch (an estimate)."""

ROOM_TIMES = 2
"""So many times the places of all benches of a kind may be taken: trays stand on floors too."""

LONGEST_CODE = 40

_NEXT = {
    "already_started": "leave the planned start out, or name another",
    "bad_code": "give a short one, or leave it out",
    "bad_date": "give the day on which it was done",
    "bad_origin": "give the ISO 3166 code of the country, such as NL",
    "batch_closed": "check the code on the label",
    "bench_full": "name another bench, or none",
    "code_taken": "give another, or leave it out",
    "last_stage": "set its plugs aside as ready",
    "mother_plants": "start fewer trays, or in another week",
    "no_plugs": "give the number of plugs",
    "no_pool": "add a product of this crop and grade to Products",
    "no_reason": "say why: the day book keeps it",
    "no_trays": "give the number of trays",
    "too_many_trays": "give trays, not plugs",
    "veto": "have an authorised person look at it and sign it off",
    "wrong_area": "name a bench of that kind, or none",
}
"""What to do next, by the refusal's code."""


def refused(code: str, message: str, field: str = "batch", next: str | None = None) -> Refused:
    """The refusal of this code, with what to do next."""
    return Refused(Refusal(code, message, field, next or _NEXT[code]))


def check_trays(
    session: Session, stage: Stage, trays: int, cells: int, plugs: int | None = None
) -> None:
    """Can so many trays be meant? Raises `Refused` ("no_trays", "too_many_trays") where not.

    Of `cells` cells each, for this stage. `plugs` are those that stand in them, where that is
    known: a tray has at least one.
    """
    if trays < 1:
        raise refused("no_trays", f"A batch needs at least 1 tray, got {trays}", "trays")
    if plugs is not None and trays > max(plugs, 1):
        raise refused("too_many_trays", f"{trays} trays for {plugs} plugs", "trays")
    if trays * cells > MOST_CELLS:
        raise refused(
            "too_many_trays", f"{trays} trays of {cells} cells are more than one batch", "trays"
        )
    there = session.exec(
        select(func.sum(Bench.places))
        .join(GrowingArea, col(Bench.area_id) == col(GrowingArea.id))
        .where(GrowingArea.kind == stage.area_kind)
    ).one()
    each = stage.tray_format.places if stage.tray_format is not None else 1
    if there and trays * each > ROOM_TIMES * there:
        raise refused(
            "too_many_trays",
            f"{trays} trays need {trays * each} tray places; the benches of the kind "
            f"'{stage.area_kind}' have {there} in all",
            "trays",
        )


def check_origin(country: str | None) -> None:
    """Is this a country's code, or left out? Raises `Refused` ("bad_origin") where not."""
    if country and not re.fullmatch("[A-Z]{2}", country):
        raise refused("bad_origin", f"The origin is two capitals, got {country!r}", "originCountry")


def check_day(session: Session, batch: Batch, day: date, since: date, field: str) -> None:
    """Can it have been done on this day? Raises `Refused` ("bad_date") where not.

    Not before `since`, nor after today.
    """
    if not since <= day <= today(session):
        raise refused(
            "bad_date",
            f"Batch '{batch.code}': the day must be from {since} to {today(session)}, got {day}",
            field,
        )


def check_reason(reason: str, what: str, field: str = "reason") -> str:
    """The reason that was given. Raises `Refused` ("no_reason") where there is none."""
    if not reason.strip():
        raise refused("no_reason", f"{what} needs a reason, and none is given", field)
    return reason


def check_ready_bench(session: Session, bench: Bench, batch: Batch) -> None:
    """May plugs set aside as ready stand here? Raises `Refused` ("wrong_area") where not.

    On a bench of the ready kind, or of the kind in which the batch stands already.
    """
    if bench.area.kind in (AreaKind.READY, AreaKind.NONE, batch.stage.area_kind):
        return
    raise refused(
        "wrong_area",
        f"Bench '{bench.name}' stands in a {bench.area.kind}, ready plugs need a {AreaKind.READY}",
        "bench",
        _benches_of(session, AreaKind.READY),
    )


def new_code(session: Session, code: str | None, day: date) -> str:
    """Which traceability code does a new batch have: this one, else its week and a number?

    Raises `Refused` ("bad_code", "code_taken").
    """
    if code is not None and len(code.strip()) > LONGEST_CODE:
        said = f"A batch's code has 1 to {LONGEST_CODE} characters, got {len(code.strip())}"
        raise refused("bad_code", said, "code")
    codes = set(session.exec(select(Batch.code)).all())
    if code is not None and code.strip():
        if code.strip() in codes:
            raise refused("code_taken", f"There is a batch '{code.strip()}' already", "code")
        return code.strip()
    week = str(Week.of(day))
    number = next(n for n in range(1, 10_000) if f"{week}-{n:02d}" not in codes)
    return f"{week}-{number:02d}"


def check_quota(session: Session, block: MotherBlock, wanted: int, day: date) -> None:
    """May so many propagules be taken today? Raises `Refused` ("mother_plants") where not."""
    week = Week.of(day)
    pause = next((p for p in block.pauses if p.covers(week.number)), None)
    if pause is not None:
        raise refused(
            "mother_plants", f"Mother block '{block.code}' has its {pause.kind} in {week}", "trays"
        )
    if (block.use_from and day < block.use_from) or (block.use_until and day > block.use_until):
        raise refused("mother_plants", f"Mother block '{block.code}' is not in use now", "trays")
    since = select(Batch).where(
        Batch.mother_block_id == block.id,
        col(Batch.started_on) >= week.monday(),
        col(Batch.started_on) < week.monday() + timedelta(days=7),
    )
    taken = sum(
        math.ceil(b.trays * b.tray_format.cells * b.protocol.propagules_per_cell)
        for b in session.exec(since).all()
    )
    if taken + wanted > block.weekly_quota:
        raise refused(
            "mother_plants",
            f"Mother block '{block.code}' gives {block.weekly_quota} propagules a week: {taken} "
            f"were taken in {week}, {wanted} more are too many",
            "trays",
        )


def check_bench(
    session: Session, bench: Bench, stage: Stage, trays: int, batch: Batch | None = None
) -> None:
    """Is there room here for these trays? Raises `Refused` ("wrong_area", "bench_full")."""
    if stage.area_kind not in (bench.area.kind, AreaKind.NONE):
        raise refused(
            "wrong_area",
            f"Bench '{bench.name}' stands in a {bench.area.kind}, the stage '{stage.kind}' needs a "
            f"{stage.area_kind}",
            "bench",
            _benches_of(session, stage.area_kind),
        )
    # Its row is locked: of two batches that are moved here at once the second sees the first.
    session.refresh(bench, with_for_update={"key_share": True})
    there = select(Batch).where(Batch.bench_id == bench.id, col(Batch.closed_on).is_(None))
    taken = sum(
        other.trays * other.tray_format.places
        for other in session.exec(there, execution_options={"populate_existing": True}).all()
        if batch is None or other.id != batch.id
    )
    wanted = trays * (stage.tray_format.places if stage.tray_format is not None else 1)
    if taken + wanted > bench.places:
        raise refused(
            "bench_full",
            f"Bench '{bench.name}' has {bench.places} tray places, {taken} are taken and {wanted} "
            "are needed",
            "bench",
        )


def check_movable(session: Session, batch: Batch) -> None:
    """May this batch be moved at all? Raises `Refused` ("batch_closed", "veto") where not."""
    if batch.closed_on is not None:
        raise refused("batch_closed", f"Batch '{batch.code}' was closed on {batch.closed_on}")
    veto = session.exec(
        select(Veto).where(
            Veto.batch_id == batch.id,
            col(Veto.lot_id).is_(None),
            col(Veto.signed_off_at).is_(None),
        )
    ).first()
    if veto is not None:
        raise refused(
            "veto",
            f"Batch '{batch.code}' is under a veto ({veto.kind}: {veto.reason}); it may not be "
            "moved until an authorised person signs it off",
        )


def _benches_of(session: Session, kind: AreaKind) -> str | None:
    names = session.exec(
        select(Bench.name)
        .join(GrowingArea, col(Bench.area_id) == col(GrowingArea.id))
        .where(GrowingArea.kind == kind)
        .order_by(col(Bench.walk_order), col(Bench.name))
    ).all()
    return f"benches of that kind: {', '.join(names[:8])}" if names else None
