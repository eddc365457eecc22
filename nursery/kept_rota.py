"""The row of a week's kept rota: who was given what, as it was handed out."""

from datetime import datetime

from sqlmodel import Field, SQLModel

from nursery.columns import UtcDateTime, check


class KeptRota(SQLModel, table=True):
    """The rota of one ISO week as it was levelled last, in the form `rota-plan/1`.

    It holds until it is levelled anew: what is done drops out of it, what comes since is given out
    beside it (`week.rota`).
    """

    __tablename__ = "kept_rota"
    __table_args__ = (check("kept_rota", "week", "length(week) = 8"),)
    week: str = Field(primary_key=True, max_length=8)
    kept_at: datetime = Field(sa_type=UtcDateTime)
    plan: str
