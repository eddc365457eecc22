"""A plan that is being made: who may watch and stop it, from whichever server process."""

from datetime import datetime
from enum import StrEnum

from sqlalchemy import BigInteger, Index, Text, text
from sqlmodel import Field, SQLModel

from nursery.columns import Kind, UtcDateTime, one_of
from nursery.planned import PlanKind


class JobState(StrEnum):
    """How far is a job?"""

    RUNNING = "running"
    DONE = "done"
    REFUSED = "refused"
    FAILED = "failed"
    CANCELLED = "cancelled"


_ONE_AT_A_TIME = text("state = 'running'")


class PlanJob(SQLModel, table=True):
    """One job. Its moments are the database's own clock, which no site shifts.

    Whoever carries the job out says so by `told_at`; a running job of which nothing is heard for
    long was cut off. `stop_asked` asks it to end with the best plan that it has. `made` and
    `refusal` are JSON, once there is something to say.
    """

    __tablename__ = "plan_job"
    __table_args__ = (
        one_of("plan_job", "kind", PlanKind),
        one_of("plan_job", "state", JobState),
        Index(
            "uq_plan_job_running",
            "kind",
            unique=True,
            sqlite_where=_ONE_AT_A_TIME,
            postgresql_where=_ONE_AT_A_TIME,
        ),
    )
    id: str = Field(primary_key=True, min_length=32, max_length=32)
    kind: PlanKind = Field(sa_type=Kind(PlanKind))
    state: JobState = Field(default=JobState.RUNNING, sa_type=Kind(JobState))
    stop_asked: bool = False
    arguments: str = Field(sa_type=Text)
    started_at: datetime = Field(sa_type=UtcDateTime)
    told_at: datetime = Field(sa_type=UtcDateTime, index=True)
    cost: int | None = Field(default=None, sa_type=BigInteger)
    bound: int | None = Field(default=None, sa_type=BigInteger)
    made: str | None = Field(default=None, sa_type=Text)
    refusal: str | None = Field(default=None, sa_type=Text)
