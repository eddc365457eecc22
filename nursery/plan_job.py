"""Work of the solver that is being done: who may watch and stop it, from whichever process."""

from datetime import datetime
from enum import StrEnum

from sqlalchemy import BigInteger, Index, Text, text
from sqlmodel import Field, SQLModel

from nursery.columns import Kind, UtcDateTime, check, one_of


class JobState(StrEnum):
    """How far is a job?"""

    RUNNING = "running"
    DONE = "done"
    REFUSED = "refused"
    FAILED = "failed"
    CANCELLED = "cancelled"


class JobKind(StrEnum):
    """What does a job do? It makes a plan of a kind, or asks what would help where one is short."""

    PROPAGATION = "propagation"
    DISPATCH = "dispatch"
    RELIEF = "relief"


_ONE_AT_A_TIME = text("state = 'running'")


class PlanJob(SQLModel, table=True):
    """One job. Its moments are the database's own clock, which no site shifts.

    Whoever carries the job out says so by `told_at`; a running job of which nothing is heard for
    long was cut off. `steps_done` of `steps` are behind it, where it has steps. `stop_asked` asks
    it to end with the best that it has. `made` and `refusal` are JSON, once there is something to
    say.
    """

    __tablename__ = "plan_job"
    __table_args__ = (
        one_of("plan_job", "kind", JobKind),
        one_of("plan_job", "state", JobState),
        check("plan_job", "steps", "steps_done <= steps AND steps_done >= 0"),
        Index(
            "uq_plan_job_running",
            "kind",
            unique=True,
            sqlite_where=_ONE_AT_A_TIME,
            postgresql_where=_ONE_AT_A_TIME,
        ),
    )
    id: str = Field(primary_key=True, min_length=32, max_length=32)
    kind: JobKind = Field(sa_type=Kind(JobKind))
    state: JobState = Field(default=JobState.RUNNING, sa_type=Kind(JobState))
    stop_asked: bool = False
    arguments: str = Field(sa_type=Text)
    started_at: datetime = Field(sa_type=UtcDateTime)
    told_at: datetime = Field(sa_type=UtcDateTime, index=True)
    cost: int | None = Field(default=None, sa_type=BigInteger)
    bound: int | None = Field(default=None, sa_type=BigInteger)
    steps_done: int | None = None
    steps: int | None = None
    made: str | None = Field(default=None, sa_type=Text)
    refusal: str | None = Field(default=None, sa_type=Text)
