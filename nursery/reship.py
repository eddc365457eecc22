"""A reship: plants sent once more for a claim, and the fresh lots kept for it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import JSON, UniqueConstraint
from sqlmodel import Field, SQLModel

from nursery.columns import UtcDateTime, check


class Reship(SQLModel, table=True):
    """The promise that was made for a claim, and the first promise, whose parcel was claimed.

    `not_lots` are the lots (ids) that give it nothing: whose plants came dead, or are suspect.
    """

    __tablename__ = "reship"
    __table_args__ = (
        check("reship", "plugs", "plugs >= 1"),
        check("reship", "name", "length(made_by) > 0 AND length(reason) > 0"),
        check("reship", "another", "promise_id <> first_promise_id"),
    )
    id: int | None = Field(default=None, primary_key=True)
    claim_id: int = Field(foreign_key="promise_event.id", index=True)
    first_promise_id: int = Field(foreign_key="promise.id", index=True)
    promise_id: int = Field(foreign_key="promise.id", unique=True)
    plugs: int
    not_lots: list[int] = Field(default_factory=list, sa_type=JSON)
    reason: str = Field(max_length=200)
    made_by: str = Field(max_length=60)
    made_at: datetime = Field(sa_type=UtcDateTime)


class ReshipLot(SQLModel, table=True):
    """Plugs of a fresh lot that are kept for a line of a reship, until they are picked.

    They are promised to nobody else (`promising.kept_plugs`), as long as the lot can give them.
    """

    __tablename__ = "reship_lot"
    __table_args__ = (
        UniqueConstraint("promise_line_id", "lot_id", name="uq_reship_lot"),
        check("reship_lot", "plugs", "plugs >= 1"),
    )
    id: int | None = Field(default=None, primary_key=True)
    reship_id: int = Field(foreign_key="reship.id", index=True)
    promise_line_id: int = Field(foreign_key="promise_line.id")
    lot_id: int = Field(foreign_key="lot.id", index=True)
    plugs: int
