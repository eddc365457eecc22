"""Pools, lots, vetoes and the append-only ledger by which plugs move (design: 6)."""

from datetime import date, datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import joinedload, selectinload
from sqlalchemy.sql.base import ExecutableOption
from sqlmodel import Field, Relationship, SQLModel

from nursery.batch import Batch
from nursery.columns import Kind, UtcDateTime, check, one_of
from nursery.crop import Crop
from nursery.growing_area import Bench


class Grade(StrEnum):
    """How good a plug is at readiness."""

    A = "A"
    B = "B"


class Moved(StrEnum):
    """The only ways in which plugs move. Reserving, confirming and quoting move nothing."""

    COUNTED = "counted"
    PICKED = "picked"
    FOUND = "found"
    REJECTED = "rejected"
    DISCARDED = "discarded"
    POTTED_ON = "potted on"
    REGRADED = "regraded"
    PLANTED_OUT = "planted out"
    SOLD_AT_GATE = "sold at the gate"


class VetoKind(StrEnum):
    """Why a batch or lot may not be sold or moved."""

    QUARANTINE = "quarantine"
    INSPECTION = "inspection"
    RE_ENTRY = "re-entry interval"
    OTHER = "other"


class Pool(SQLModel, table=True):
    """The lots of one crop and grade. `version` rises with every change of what it holds.

    Plugs that are sold as bought in (`crop.Protocol.sold_as_bought_in`) have a pool of their own:
    only promises to customers who agreed to them take from it.
    """

    __tablename__ = "pool"
    __table_args__ = (
        UniqueConstraint("crop_id", "grade", "bought_in", name="uq_pool_crop_grade"),
        one_of("pool", "grade", Grade),
    )
    id: int | None = Field(default=None, primary_key=True)
    crop_id: int = Field(foreign_key="crop.id", index=True)
    grade: Grade = Field(sa_type=Kind(Grade))
    version: int = 0
    bought_in: bool = Field(default=False, sa_column_kwargs={"server_default": sa.false()})
    crop: Crop = Relationship()


class Lot(SQLModel, table=True):
    """Plugs of a batch that are saleable, from `ready_on` to `last_sale_on`, both included.

    `plugs` is what the ledger's rows for this lot sum to, kept in the same transaction.
    """

    __tablename__ = "lot"
    __table_args__ = (
        UniqueConstraint("batch_id", "pool_id", "ready_on", name="uq_lot_batch_pool_ready"),
        check("lot", "plugs", "plugs >= 0"),
        check("lot", "dates", "last_sale_on >= ready_on"),
    )
    id: int | None = Field(default=None, primary_key=True)
    batch_id: int = Field(foreign_key="batch.id", index=True)
    pool_id: int = Field(foreign_key="pool.id", index=True)
    ready_on: date
    last_sale_on: date = Field(index=True)
    plugs: int = 0
    batch: Batch = Relationship()
    pool: Pool = Relationship()


def with_batches() -> tuple[ExecutableOption, ...]:
    """What a list of lots reads beside them, once for all: pool, batch, its crop, tray and bench.

    Else each lot would ask for its own, one by one.
    """
    batch = selectinload(Lot.batch)  # type: ignore[arg-type]
    return (
        joinedload(Lot.pool),  # type: ignore[arg-type]
        batch.selectinload(Batch.crop),  # type: ignore[arg-type]
        batch.joinedload(Batch.tray_format),  # type: ignore[arg-type]
        batch.joinedload(Batch.stage),  # type: ignore[arg-type]
        batch.joinedload(Batch.bench).joinedload(Bench.area),  # type: ignore[arg-type]
    )


class ColdHold(SQLModel, table=True):
    """A decision to hold a lot's ready plugs cold, and what it made of the last sale date.

    With `withdrawn_at` it was taken back in the day book, and the date with it.
    """

    __tablename__ = "cold_hold"
    __table_args__ = (
        check("cold_hold", "days", "days >= 1"),
        check("cold_hold", "later", "last_sale_after > last_sale_before"),
    )
    id: int | None = Field(default=None, primary_key=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    from_day: date
    days: int
    store_c: float
    last_sale_before: date
    last_sale_after: date
    decided_by: str = Field(min_length=1, max_length=60)
    decided_at: datetime = Field(sa_type=UtcDateTime)
    reason: str = Field(default="", max_length=200)
    withdrawn_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    lot: Lot = Relationship()


class Movement(SQLModel, table=True):
    """One row of a batch's ledger: plugs in (+) or out (-), and the balance after it.

    `lot_id` is None for plugs that are still growing. A batch's plugs become a lot by two
    "regraded" rows: out of the growing ones, into the lot. Rows are never changed;
    a correction is a new row.
    """

    __tablename__ = "movement"
    __table_args__ = (
        UniqueConstraint("batch_id", "sequence", name="uq_movement_sequence"),
        one_of("movement", "kind", Moved),
        check("movement", "balance", "balance >= 0"),
        check("movement", "sequence", "sequence >= 1"),
    )
    id: int | None = Field(default=None, primary_key=True)
    batch_id: int = Field(foreign_key="batch.id", index=True)
    lot_id: int | None = Field(default=None, foreign_key="lot.id", index=True)
    sequence: int
    kind: Moved = Field(sa_type=Kind(Moved))
    plugs: int
    balance: int
    actor: str = Field(min_length=1, max_length=60)
    reason: str = Field(default="", max_length=200)
    happened_at: datetime = Field(sa_type=UtcDateTime)
    recorded_at: datetime = Field(sa_type=UtcDateTime)
    promise_line_id: int | None = Field(default=None, foreign_key="promise_line.id", index=True)
    corrects_id: int | None = Field(default=None, foreign_key="movement.id")


class Veto(SQLModel, table=True):
    """ "Do not sell / do not move". Ends only when an authorised person signs it off."""

    __tablename__ = "veto"
    __table_args__ = (
        UniqueConstraint("batch_id", "kind", "set_at", name="uq_veto_batch_kind_set"),
        one_of("veto", "kind", VetoKind),
        check("veto", "signed", "(signed_off_at IS NULL) = (signed_off_by IS NULL)"),
    )
    id: int | None = Field(default=None, primary_key=True)
    batch_id: int = Field(foreign_key="batch.id", index=True)
    lot_id: int | None = Field(default=None, foreign_key="lot.id", index=True)
    kind: VetoKind = Field(sa_type=Kind(VetoKind))
    reason: str = Field(min_length=1, max_length=200)
    set_by: str = Field(min_length=1, max_length=60)
    set_at: datetime = Field(sa_type=UtcDateTime)
    earliest_end: date | None = None
    signed_off_by: str | None = Field(default=None, max_length=60)
    signed_off_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    sign_off_note: str = Field(default="", max_length=200)
    batch: Batch = Relationship()
