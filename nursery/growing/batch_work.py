"""What happens to a batch on the benches: started, moved on, set aside as ready, discarded.

Each service changes supply, so it locks the pools of the batch's crop first (`shed.ledger`).
"""

from __future__ import annotations

import math
from datetime import date
from typing import TypedDict, Unpack

from sqlmodel import Session, select

from nursery.batch import Batch, Quarantine
from nursery.crop import Method, Protocol, Stage, StageKind
from nursery.database import site, today
from nursery.errors import Fault
from nursery.growing.batch_checks import (
    check_bench,
    check_day,
    check_movable,
    check_origin,
    check_quota,
    check_ready_bench,
    check_reason,
    check_trays,
    new_code,
    refused,
)
from nursery.growing.growth import growing_stages, last_sale_day
from nursery.growing.recording import all_gone, became_ready, entered_stage, left_stage
from nursery.growing.sowing import lot_to_sow, seeds_in
from nursery.growing_area import Bench
from nursery.locks import lock_site
from nursery.mother_plant import MotherBlock
from nursery.planned import PlannedStart
from nursery.pools import make_bought_in_pools, pool_of_batch
from nursery.seed import SeedLot
from nursery.shed.ledger import balance, held, lock_batches, lock_crops, make_lot, move
from nursery.stock import Grade, Lot, Moved, Movement


class Origin(TypedDict, total=False):
    """What may be said of where a batch comes from; what is left out, the books say."""

    lineage: str
    origin_country: str | None
    quarantine: Quarantine | None
    seed_lot: SeedLot | None


def start_batch(
    session: Session,
    protocol: Protocol,
    trays: int,
    actor: str,
    bench: Bench | None = None,
    code: str | None = None,
    planned: PlannedStart | None = None,
    **origin: Unpack[Origin],
) -> Batch:
    """Which batch do these trays become, started today?

    Its ledger begins with all cells filled. `code` is the traceability code, by default the week
    and a running number. Raised here it is clear; bought in, its health is unknown until somebody
    says otherwise. `planned` is the planned start that is thereby made. What is sown is
    sown from `seed_lot`, else from the crop's lot that is the first past its sow-by date. Raises
    `Refused`: "no_trays", "too_many_trays", "code_taken", "bad_code", "bad_origin",
    "already_started", "mother_plants" (quota, rest or blackout), "wrong_area", "bench_full", and
    what `growing.sowing.lot_to_sow` raises.
    """
    # One start at a time: of one planned start one batch is made, and each has a number of its own.
    lock_site(session)
    lock_crops(session, [protocol.crop_id])
    if planned is not None:
        session.refresh(planned)
    stage, day = _first_stage(protocol), today(session)
    cells = stage.tray_format.cells if stage.tray_format is not None else 0
    check_trays(session, stage, trays, cells)
    country = origin.get("origin_country") or site(session).country
    check_origin(country)
    if planned is not None and (planned.batch_id is not None or planned.protocol_id != protocol.id):
        what = "was made already" if planned.batch_id is not None else "is of another protocol"
        raise refused("already_started", f"This planned start {what}", "planned")
    block = session.get(MotherBlock, protocol.mother_block_id or 0)
    if block is not None:
        check_quota(session, block, math.ceil(trays * cells * protocol.propagules_per_cell), day)
    if bench is not None:
        check_bench(session, bench, stage, trays)
    seed = lot_to_sow(session, protocol, trays, day, origin.get("seed_lot"))
    source = block.code if block is not None else seed.code if seed is not None else ""
    batch = Batch(
        code=new_code(session, code, day),
        crop_id=protocol.crop_id,
        protocol_id=protocol.id or 0,
        stage_id=stage.id or 0,
        tray_format_id=stage.tray_format_id or 0,
        bench_id=bench.id if bench is not None else None,
        mother_block_id=block.id if block is not None else None,
        seed_lot_id=seed.id if seed is not None else None,
        seeds_sown=seeds_in(protocol, trays) if seed is not None else 0,
        trays=trays,
        started_on=day,
        stage_entered_on=day,
        lineage=origin.get("lineage") or source,
        origin_country=country,
        quarantine=origin.get("quarantine") or _health(protocol),
    )
    session.add(batch)
    session.flush()
    make_bought_in_pools(session, [batch.crop_id])
    move(session, batch, Moved.COUNTED, trays * cells, actor, f"started, {trays} trays")
    entered_stage(session, batch, trays * cells)
    if planned is not None:
        planned.batch_id = batch.id
        session.add(planned)
        session.flush()
    return batch


def move_batch(
    session: Session,
    batch: Batch,
    actor: str,
    bench: Bench | None = None,
    trays: int | None = None,
    moved_on: date | None = None,
) -> Batch:
    """Where does the batch stand once it has moved to the next stage of its protocol?

    Its trays are of the next stage's format; `trays` says how many there are now (by default as
    many as its growing plugs fill, where the format changes). After the last stage use
    `set_ready`. Raises `Refused`: "batch_closed", "veto" (do not move), "last_stage", "bad_date",
    "no_trays", "too_many_trays", "wrong_area", "bench_full".
    """
    lock_batches(session, [batch])
    check_movable(session, batch)
    day = moved_on or today(session)
    check_day(session, batch, day, batch.stage_entered_on, "movedOn")
    following = _next_stage(batch)
    if following is None:
        raise refused(
            "last_stage",
            f"Batch '{batch.code}' is in '{batch.stage.kind}', its last stage before ready",
        )
    new_trays = trays if trays is not None else _trays_in(session, batch, following)
    cells = following.tray_format.cells if following.tray_format is not None else 0
    check_trays(session, following, new_trays, cells, held(session, batch))
    if bench is not None:
        check_bench(session, bench, following, new_trays, batch)
    plugs = left_stage(session, batch, day)
    batch.stage_id, batch.stage_entered_on, batch.trays = following.id or 0, day, new_trays
    batch.bench_id = bench.id if bench is not None else None
    batch.tray_format_id = following.tray_format_id or batch.tray_format_id
    session.add(batch)
    session.flush()
    session.refresh(batch)
    entered_stage(session, batch, plugs)
    return batch


def set_ready(
    session: Session,
    batch: Batch,
    plugs: int,
    actor: str,
    bench: Bench | None = None,
    grade: Grade = Grade.A,
    ready_on: date | None = None,
) -> Lot:
    """Which lot do these plugs of a batch become, now that somebody found them ready?

    A person's word beats a forecast: it is not asked whether the stage should be over. The lot may
    be sold from `ready_on` (today) to the end of the crop's life. Raises `Refused`:
    "batch_closed", "veto", "no_pool", "bad_date", "wrong_area"; and what
    `shed.ledger.make_lot` raises.
    """
    lock_batches(session, [batch])
    check_movable(session, batch)
    pool = pool_of_batch(session, batch, grade)
    if pool is None:
        raise refused("no_pool", f"{batch.crop.name} has no product of grade {grade}", "grade")
    day = ready_on or today(session)
    check_day(session, batch, day, batch.started_on, "readyOn")
    if bench is not None:
        check_ready_bench(session, bench, batch)
    query = select(Lot).where(Lot.batch_id == batch.id, Lot.pool_id == pool.id, Lot.ready_on == day)
    there = session.exec(query).first()  # one that is held cold keeps its later last sale date
    ends = there.last_sale_on if there is not None else last_sale_day(batch.crop, day)
    lot = make_lot(session, batch, pool, plugs, day, ends, actor)
    if batch.ready_on is None:
        batch.ready_on = day
    if bench is not None:
        batch.bench_id = bench.id
    session.add(batch)
    session.flush()
    became_ready(session, batch, day)
    return lot


def discard(
    session: Session,
    batch: Batch,
    plugs: int,
    actor: str,
    reason: str,
    lot: Lot | None = None,
    potted_on: bool = False,
) -> Movement:
    """Which row of the ledger says that these plugs were thrown away (or potted on)?

    Of the growing plugs, or of one lot. A batch that has nothing left is closed. Raises `Refused`
    ("no_plugs", "no_reason", or "not_enough_plugs" from the ledger).
    """
    if plugs < 1:
        raise refused("no_plugs", f"At least 1 plug must be discarded, got {plugs}", "plugs")
    check_reason(reason, f"Discarding plugs of batch '{batch.code}'")
    kind = Moved.POTTED_ON if potted_on else Moved.DISCARDED
    row = move(session, batch, kind, -plugs, actor, reason, lot=lot)
    if balance(session, batch) == 0:
        batch.closed_on = today(session)
        session.add(batch)
        session.flush()
    all_gone(session, batch)
    return row


def _first_stage(protocol: Protocol) -> Stage:
    stages = growing_stages(protocol)
    if not stages or stages[0].tray_format is None:
        raise Fault(
            f"Protocol '{protocol.name}' of {protocol.crop.name}",
            "its first stage must say which tray it stands in",
            None,
            "name the tray format in the Stages sheet",
        )
    return stages[0]


def _health(protocol: Protocol) -> Quarantine:
    first = protocol.stages[0].kind
    bought = protocol.method is Method.BOUGHT_IN
    if bought or first in (StageKind.ON_ORDER, StageKind.ISOLATION):
        return Quarantine.UNKNOWN
    return Quarantine.CLEAR


def _next_stage(batch: Batch) -> Stage | None:
    later = [s for s in growing_stages(batch.protocol) if s.position > batch.stage.position]
    return later[0] if later else None


def _trays_in(session: Session, batch: Batch, stage: Stage) -> int:
    if stage.tray_format is None or stage.tray_format_id == batch.tray_format_id:
        return batch.trays
    return max(1, math.ceil(held(session, batch) / stage.tray_format.cells))
