"""Batches: trays started together, one lineage, one traceability code."""

from datetime import date, datetime
from enum import StrEnum

from sqlalchemy.orm import joinedload, selectinload
from sqlalchemy.sql.base import ExecutableOption
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, UtcDateTime, check, one_of
from nursery.crop import Crop, Protocol, Stage, TrayFormat
from nursery.growing_area import Bench
from nursery.mother_plant import MotherBlock
from nursery.seed import SeedLot


class Quarantine(StrEnum):
    """What is known of a batch's health. Unknown is not clear: it sells nothing."""

    CLEAR = "clear"
    HELD = "held"
    UNKNOWN = "unknown"


class Batch(SQLModel, table=True):
    """Trays started together, where they stand and in which stage they are.

    Its plugs are in the ledger (`nursery.stock`), never here.
    """

    __tablename__ = "batch"
    __table_args__ = (
        one_of("batch", "quarantine", Quarantine),
        check("batch", "trays", "trays >= 0"),
        check("batch", "seeds", "seeds_sown >= 0"),
        check("batch", "stage_order", "stage_entered_on >= started_on"),
        check("batch", "ready_order", "ready_on IS NULL OR ready_on >= started_on"),
    )
    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True, min_length=1, max_length=40)
    crop_id: int = Field(foreign_key="crop.id", index=True)
    protocol_id: int = Field(foreign_key="protocol.id", index=True)
    stage_id: int = Field(foreign_key="stage.id", index=True)
    tray_format_id: int = Field(foreign_key="tray_format.id")
    bench_id: int | None = Field(default=None, foreign_key="bench.id", index=True)
    mother_block_id: int | None = Field(default=None, foreign_key="mother_block.id")
    seed_lot_id: int | None = Field(default=None, foreign_key="seed_lot.id", index=True)
    seeds_sown: int = 0
    trays: int
    started_on: date
    stage_entered_on: date
    ready_on: date | None = None
    lineage: str = Field(default="", max_length=120)
    origin_country: str = Field(default="", max_length=2)
    quarantine: Quarantine = Field(sa_type=Kind(Quarantine))
    closed_on: date | None = None
    crop: Crop = Relationship()
    protocol: Protocol = Relationship()
    stage: Stage = Relationship()
    tray_format: TrayFormat = Relationship()
    bench: Bench | None = Relationship()
    mother_block: MotherBlock | None = Relationship()
    seed_lot: SeedLot | None = Relationship()


def with_ways() -> tuple[ExecutableOption, ...]:
    """What a list of batches reads beside them, once for all: how each is raised, where it stands.

    Else each batch would ask for its own, one by one.
    """
    way = selectinload(Batch.protocol)  # type: ignore[arg-type]
    stages = way.selectinload(Protocol.stages)  # type: ignore[arg-type]
    return (
        selectinload(Batch.crop),  # type: ignore[arg-type]
        stages.joinedload(Stage.tray_format),  # type: ignore[arg-type]
        joinedload(Batch.tray_format),  # type: ignore[arg-type]
        joinedload(Batch.bench).joinedload(Bench.area),  # type: ignore[arg-type]
        joinedload(Batch.seed_lot),  # type: ignore[arg-type]
    )


class Count(SQLModel, table=True):
    """An observation of a batch (or one lot of it) at a moment: usable plugs, and by whom.

    One that was taken back (`week.day_undo`) has `withdrawn_at`: it says nothing any more.
    """

    __tablename__ = "count"
    __table_args__ = (check("count", "plugs", "plugs >= 0"),)
    id: int | None = Field(default=None, primary_key=True)
    batch_id: int = Field(foreign_key="batch.id", index=True)
    lot_id: int | None = Field(default=None, foreign_key="lot.id", index=True)
    counted_at: datetime = Field(sa_type=UtcDateTime)
    recorded_at: datetime = Field(sa_type=UtcDateTime)
    counter: str = Field(min_length=1, max_length=60)
    plugs: int
    expected: int
    withdrawn_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
