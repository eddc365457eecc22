"""What happened on the benches, kept to learn from: passages, weekly flush, minutes, decisions.

A *passage* is one batch in one stage: when it came and went, how many plugs came and how many
lived. `growing.recording` writes it when batches move; the workbook brings those of earlier
seasons. Nothing here changes a plan: what is used in place of the book is a decision with a name
and a date (`LearnedUse`), and the book stays where it is.
"""

from datetime import date, datetime
from enum import StrEnum

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, SQLModel

from nursery.columns import Kind, UtcDateTime, check, one_of


class Quantity(StrEnum):
    """What is learned of a stage, or (flush) of a protocol."""

    SURVIVAL = "survival"
    OVERDISPERSION = "overdispersion"
    DWELL = "days beside the clock"
    MINUTES = "minutes a tray"
    FLUSH = "flush"


class StageRecord(SQLModel, table=True):
    """A batch's passage through a stage. `plugs_in` and `plugs_out` only where they are known.

    `area_id` is where it stood. `left_out` says why the record is not learned from ("" where it
    is): a bench too full to move on, a flood, trays sold off. `from_sequence` is the last row of
    the batch's ledger when it came.
    """

    __tablename__ = "stage_record"
    __table_args__ = (
        UniqueConstraint("batch_code", "stage_id", name="uq_stage_record"),
        check("stage_record", "dates", "left_on IS NULL OR left_on >= entered_on"),
        check("stage_record", "plugs_in", "plugs_in IS NULL OR plugs_in >= 1"),
        check(
            "stage_record",
            "plugs_out",
            "plugs_out IS NULL OR (plugs_in IS NOT NULL AND plugs_out BETWEEN 0 AND plugs_in)",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    batch_code: str = Field(min_length=1, max_length=40, index=True)
    stage_id: int = Field(foreign_key="stage.id", index=True)
    area_id: int | None = Field(default=None, foreign_key="growing_area.id")
    entered_on: date
    left_on: date | None = None
    plugs_in: int | None = None
    plugs_out: int | None = None
    from_sequence: int = 0
    left_out: str = Field(default="", max_length=120)


class FlushRecord(SQLModel, table=True):
    """Plugs of a batch that were set aside as ready in one week, `week` 0 being the first."""

    __tablename__ = "flush_record"
    __table_args__ = (
        UniqueConstraint("batch_code", "week", name="uq_flush_record"),
        check("flush_record", "numbers", "week >= 0 AND plugs >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    batch_code: str = Field(min_length=1, max_length=40, index=True)
    protocol_id: int = Field(foreign_key="protocol.id", index=True)
    week: int
    plugs: int


class TaskRecord(SQLModel, table=True):
    """Minutes that bringing so many trays into a stage took, of all hands together.

    For the first stage that is starting the batch: its fixed minutes are in it. What the day book
    has with minutes need not be here.
    """

    __tablename__ = "task_record"
    __table_args__ = (
        UniqueConstraint("batch_code", "stage_id", name="uq_task_record"),
        check("task_record", "numbers", "trays >= 1 AND minutes >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    batch_code: str = Field(min_length=1, max_length=40)
    stage_id: int = Field(foreign_key="stage.id", index=True)
    done_on: date
    trays: int
    minutes: float
    person: str = Field(default="", max_length=60)


class LearnedUse(SQLModel, table=True):
    """Who decided, and when, that a learned value stands in the plan, or the book's again?

    `value` None (`shares` "" for a flush) means the book's. `book` is what the book said then,
    `batches` how many batches the value rests on. Rows are never changed; the last one counts.
    """

    __tablename__ = "learned_use"
    __table_args__ = (one_of("learned_use", "quantity", Quantity),)
    id: int | None = Field(default=None, primary_key=True)
    protocol_id: int = Field(foreign_key="protocol.id", index=True)
    stage_id: int | None = Field(default=None, foreign_key="stage.id", index=True)
    quantity: Quantity = Field(sa_type=Kind(Quantity))
    value: float | None = None
    shares: str = Field(default="", max_length=60)
    book: str = Field(max_length=60)
    batches: int
    used_by: str = Field(min_length=1, max_length=60)
    used_at: datetime = Field(sa_type=UtcDateTime)
