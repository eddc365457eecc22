"""The day book's rows: what a person did to a batch, when, and how it stood before and after."""

from datetime import date, datetime
from enum import StrEnum

from sqlalchemy import JSON
from sqlmodel import Field, Relationship, SQLModel

from nursery.batch import Batch
from nursery.columns import Kind, UtcDateTime, check, one_of


class DayAction(StrEnum):
    """What was done."""

    STARTED = "started"
    MOVED = "moved"
    GAPPED_UP = "gapped up"
    READY = "set aside as ready"
    POTTED_ON = "potted on"
    DISCARDED = "discarded"
    PLANTED_OUT = "planted out"
    SOLD_AT_GATE = "sold at the gate"
    REGRADED = "regraded"
    COUNTED = "counted"
    VETO_SET = "veto set"
    VETO_SIGNED_OFF = "veto signed off"
    HELD_COLD = "held cold"


class DayEntry(SQLModel, table=True):
    """One line of the day book. Rows are never changed; what was wrong is undone by a new row.

    `line` is the key of the week sheet's line that was done, or "". `minutes` is how long it took,
    where somebody said so. `detail` holds what the entry changed: the batches before and after
    (`week.day_book`), the rows of the ledger, the count or the veto. An entry with `undoes_id`
    takes that other one back.
    """

    __tablename__ = "day_entry"
    __table_args__ = (
        one_of("day_entry", "action", DayAction),
        check("day_entry", "minutes", "minutes IS NULL OR minutes >= 0"),
        check("day_entry", "undoes", "undoes_id IS NULL OR undoes_id < id"),
    )
    id: int | None = Field(default=None, primary_key=True)
    action: DayAction = Field(sa_type=Kind(DayAction))
    batch_id: int = Field(foreign_key="batch.id", index=True)
    lot_id: int | None = Field(default=None, foreign_key="lot.id")
    plugs: int = 0
    trays: int = 0
    actor: str = Field(min_length=1, max_length=60)
    done_on: date = Field(index=True)
    recorded_at: datetime = Field(sa_type=UtcDateTime)
    line: str = Field(default="", max_length=24, index=True)
    minutes: int | None = None
    note: str = Field(default="", max_length=200)
    detail: dict[str, object] = Field(default_factory=dict, sa_type=JSON)
    undoes_id: int | None = Field(default=None, foreign_key="day_entry.id", unique=True)
    batch: Batch = Relationship()
