"""What the lead does on the benches: counts, starts, moves, discards, vetoes, and traces."""

from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, write
from api.fields import mutation
from api.ids import global_id
from api.kept import kept
from api.refusals import Refusal
from api.rows import (
    batch_row,
    bench_row,
    lot_row,
    planned_start_row,
    protocol_row,
    veto_row,
)
from nursery import stock
from nursery.access import Role, Token
from nursery.batch import Batch as BatchRow
from nursery.batch import Quarantine
from nursery.crop import StageKind
from nursery.shed import ledger
from nursery.shed.veto import correct_earliest_end
from nursery.stock import Grade, VetoKind
from nursery.week import day_book

LEAD = (Role.LEAD,)
COUNTERS = (Role.LEAD, Role.PACKER)


@strawberry.input(description="A batch to start: a planned one by its id, or crop and protocol.")
class StartInput:
    """`trays` are the plan's, where left out; `quarantine` is unknown for what was bought in."""

    planned_start_id: strawberry.ID | None = None
    crop: str | None = None
    protocol: str | None = None
    trays: int | None = None
    bench: str | None = None
    code: str | None = None
    lineage: str = ""
    origin_country: str | None = None
    quarantine: Quarantine | None = None


@kept
@strawberry.type(description="A batch as it stands now.")
class Batch:
    """`plugs` are all of the ledger's, growing and in lots; `growing` those in no lot."""

    id: strawberry.ID
    code: str
    crop: str
    protocol: str
    stage: StageKind
    stage_entered_on: date
    started_on: date
    bench: str | None
    trays: int
    plugs: int
    growing: int
    quarantine: Quarantine
    closed_on: date | None


@kept
@strawberry.type(description="Plugs of a batch that are saleable.")
class Lot:
    """From `ready_on` to `last_sale_on`, both included."""

    id: strawberry.ID
    batch_code: str
    grade: Grade
    ready_on: date
    last_sale_on: date
    plugs: int


@kept
@strawberry.type(description="What a count changed; `recount` asks for a second one.")
class Counted:
    """`difference` went into the ledger, never an overwrite."""

    batch_code: str
    plugs: int
    expected: int
    difference: int
    recount: bool


@kept
@strawberry.type(description="Do not sell, do not move. Ends only by a signature.")
class Veto:
    """`earliest_end` is the first day on which an authorised person may look again."""

    id: strawberry.ID
    batch_code: str
    lot_id: strawberry.ID | None
    kind: VetoKind
    reason: str
    set_by: str
    earliest_end: date | None
    signed_off_by: str | None
    signed_off_at: datetime | None


BatchAnswer: TypeAlias = Annotated[Batch | Refusal, strawberry.union("BatchAnswer")]
LotAnswer: TypeAlias = Annotated[Lot | Refusal, strawberry.union("LotAnswer")]
CountedAnswer: TypeAlias = Annotated[Counted | Refusal, strawberry.union("CountedAnswer")]
VetoAnswer: TypeAlias = Annotated[Veto | Refusal, strawberry.union("VetoAnswer")]


def batch(session: Session, row: BatchRow) -> Batch:
    """The API's form of a batch."""
    return Batch(
        id=global_id("Batch", row.id),
        code=row.code,
        crop=row.crop.name,
        protocol=row.protocol.name,
        stage=row.stage.kind,
        stage_entered_on=row.stage_entered_on,
        started_on=row.started_on,
        bench=row.bench.name if row.bench else None,
        trays=row.trays,
        plugs=ledger.balance(session, row),
        growing=ledger.held(session, row),
        quarantine=row.quarantine,
        closed_on=row.closed_on,
    )


def lot_of(row: stock.Lot) -> Lot:
    """The API's form of a lot."""
    return Lot(
        id=global_id("Lot", row.id),
        batch_code=row.batch.code,
        grade=row.pool.grade,
        ready_on=row.ready_on,
        last_sale_on=row.last_sale_on,
        plugs=row.plugs,
    )


def _veto(row: stock.Veto) -> Veto:
    return Veto(
        id=global_id("Veto", row.id),
        batch_code=row.batch.code,
        lot_id=None if row.lot_id is None else global_id("Lot", row.lot_id),
        kind=row.kind,
        reason=row.reason,
        set_by=row.set_by,
        earliest_end=row.earliest_end,
        signed_off_by=row.signed_off_by,
        signed_off_at=row.signed_off_at,
    )


@strawberry.type
class BatchMutations:
    """What happens to batches. Sent again under the same `key`, each gives the same answer."""

    @mutation("Starts a batch today: one that was planned, or another.")
    async def start_batch(self, info: Info, key: str, start: StartInput) -> BatchAnswer:
        """Its ledger begins with all cells filled; count it when some were not."""

        def work(session: Session, token: Token) -> Batch:
            planned = None
            if start.planned_start_id is not None:
                planned = planned_start_row(session, start.planned_start_id)
                protocol, trays = planned.protocol, start.trays or planned.trays
            else:
                protocol = protocol_row(session, start.crop or "", start.protocol or "")
                trays = start.trays or 0
            row = day_book.start(
                session,
                protocol,
                trays,
                token.name,
                bench_row(session, start.bench),
                start.code,
                planned,
                lineage=start.lineage,
                origin_country=start.origin_country,
                quarantine=start.quarantine,
            ).result
            return batch(session, row)

        return await write(info, LEAD, key, {"start": start}, work)

    @mutation("Moves a batch to the next stage of its protocol.")
    async def move_batch(
        self,
        info: Info,
        key: str,
        batch_code: str,
        bench: str | None = None,
        trays: int | None = None,
        moved_on: date | None = None,
    ) -> BatchAnswer:
        """What is under a veto does not move. After the last stage comes setReady."""
        body = {"batch_code": batch_code, "bench": bench, "trays": trays, "moved_on": moved_on}

        def work(session: Session, token: Token) -> Batch:
            row, place = batch_row(session, batch_code), bench_row(session, bench)
            moved = day_book.move(session, row, token.name, place, trays, moved_on)
            return batch(session, moved.result)

        return await write(info, LEAD, key, body, work)

    @mutation("Sets plugs of a batch aside as ready: a lot that may be sold.")
    async def set_ready(
        self,
        info: Info,
        key: str,
        batch_code: str,
        plugs: int,
        bench: str | None = None,
        grade: Grade = Grade.A,
        ready_on: date | None = None,
    ) -> LotAnswer:
        """A person's word that they are ready; it beats a forecast."""
        body = {
            "batch_code": batch_code,
            "plugs": plugs,
            "bench": bench,
            "grade": grade,
            "ready_on": ready_on,
        }

        def work(session: Session, token: Token) -> Lot:
            row, place = batch_row(session, batch_code), bench_row(session, bench)
            set_aside = day_book.set_ready(session, row, plugs, token.name, place, grade, ready_on)
            return lot_of(set_aside.result)

        return await write(info, LEAD, key, body, work)

    @mutation("Throws plugs away: of a batch's growing plugs, or of one lot of it.")
    async def discard(
        self,
        info: Info,
        key: str,
        batch_code: str,
        plugs: int,
        reason: str,
        lot_id: strawberry.ID | None = None,
        potted_on: bool = False,
    ) -> BatchAnswer:
        """With `pottedOn` they went into pots. A batch with nothing left is closed."""
        body = {
            "batch_code": batch_code,
            "plugs": plugs,
            "reason": reason,
            "lot_id": lot_id,
            "potted_on": potted_on,
        }

        def work(session: Session, token: Token) -> Batch:
            row = batch_row(session, batch_code)
            lot = None if lot_id is None else lot_row(session, lot_id)
            act = day_book.pot_on if potted_on else day_book.discard
            act(session, row, plugs, token.name, reason, lot)
            return batch(session, row)

        return await write(info, LEAD, key, body, work)

    @mutation("Records a count of a batch's growing plugs, or of one lot of it.")
    async def record_count(
        self,
        info: Info,
        key: str,
        batch_code: str,
        plugs: int | None = None,
        lot_id: strawberry.ID | None = None,
        counted_at: datetime | None = None,
    ) -> CountedAnswer:
        """Without `plugs`: as expected. `counted_at` is when it was made, now if left out."""
        body = {
            "batch_code": batch_code,
            "plugs": plugs,
            "lot_id": lot_id,
            "counted_at": counted_at,
        }

        def work(session: Session, token: Token) -> Counted:
            row = batch_row(session, batch_code)
            lot = None if lot_id is None else lot_row(session, lot_id)
            found = day_book.count(session, row, token.name, plugs, counted_at, lot).result
            return Counted(
                batch_code=row.code,
                plugs=found.count.plugs,
                expected=found.count.expected,
                difference=found.difference,
                recount=found.recount,
            )

        return await write(info, COUNTERS, key, body, work)

    @mutation("Sets a veto on a batch or one lot of it: it counts nothing for promises.")
    async def set_veto(
        self,
        info: Info,
        key: str,
        batch_code: str,
        kind: VetoKind,
        reason: str,
        set_by: str,
        earliest_end: date | None = None,
        lot_id: strawberry.ID | None = None,
    ) -> VetoAnswer:
        """Entered by the licensed person, as the label and the local rules say: `set_by`."""
        body = {
            "batch_code": batch_code,
            "kind": kind,
            "reason": reason,
            "set_by": set_by,
            "earliest_end": earliest_end,
            "lot_id": lot_id,
        }

        def work(session: Session, token: Token) -> Veto:
            row = batch_row(session, batch_code)
            lot = None if lot_id is None else lot_row(session, lot_id)
            held = day_book.set_veto(
                session, row, kind, reason, set_by, token.name, earliest_end, lot
            )
            return _veto(held.result)

        return await write(info, LEAD, key, body, work)

    @mutation("Corrects the earliest end of a veto that was typed wrong. It holds on.")
    async def correct_veto_end(
        self,
        info: Info,
        key: str,
        id: strawberry.ID,
        earliest_end: date,
        corrected_by: str,
        why: str,
    ) -> VetoAnswer:
        """`corrected_by` is the licensed person, `why` is kept with the veto's reason."""
        body = {"id": id, "end": earliest_end, "corrected_by": corrected_by, "why": why}

        def work(session: Session, token: Token) -> Veto:
            held = veto_row(session, id)
            return _veto(correct_earliest_end(session, held, earliest_end, corrected_by, why))

        return await write(info, LEAD, key, body, work)

    @mutation("Signs a veto off. Nothing else ever ends one.")
    async def sign_off_veto(
        self, info: Info, key: str, id: strawberry.ID, signed_by: str, note: str
    ) -> VetoAnswer:
        """`signed_by` is the authorised person, `note` what was found."""
        body = {"id": id, "signed_by": signed_by, "note": note}

        def work(session: Session, token: Token) -> Veto:
            held = veto_row(session, id)
            return _veto(day_book.sign_off_veto(session, held, signed_by, note, token.name).result)

        return await write(info, LEAD, key, body, work)
