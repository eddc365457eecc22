"""Plans as versions: what was planned, from which data, accepted by whom."""

from datetime import date, datetime
from enum import StrEnum

from sqlalchemy import JSON, BigInteger, Text, UniqueConstraint, func
from sqlalchemy.orm import selectinload
from sqlalchemy.sql.base import ExecutableOption
from sqlmodel import Field, Relationship, Session, SQLModel, select

from nursery.columns import Kind, UtcDateTime, check, one_of
from nursery.crop import Protocol, Stage


class PlanKind(StrEnum):
    """What a plan decides."""

    PROPAGATION = "propagation"
    DISPATCH = "dispatch"


class PlanVersion(SQLModel, table=True):
    """One solved plan with the problem it answers, both as JSON, so it can be repeated.

    `fingerprint` is a digest of the data it was made from; costs are the solver's units.
    `first_day` is the day (dispatch) or the Monday of the week (propagation) of index 0.
    `stand_ins` says which line of which order goes with which plants (`dispatching.stand_ins`).
    """

    __tablename__ = "plan_version"
    __table_args__ = (
        UniqueConstraint("kind", "version", name="uq_plan_version"),
        one_of("plan_version", "kind", PlanKind),
        check("plan_version", "version", "version >= 1"),
        check("plan_version", "accepted", "(accepted_at IS NULL) = (accepted_by IS NULL)"),
    )
    id: int | None = Field(default=None, primary_key=True)
    kind: PlanKind = Field(sa_type=Kind(PlanKind))
    version: int
    made_at: datetime = Field(sa_type=UtcDateTime)
    first_day: date
    periods: int
    fingerprint: str = Field(max_length=64)
    problem: str = Field(sa_type=Text)
    plan: str = Field(sa_type=Text)
    cost: int = Field(sa_type=BigInteger)
    bound: int = Field(sa_type=BigInteger)
    rule_of_thumb_cost: int = Field(sa_type=BigInteger)
    seconds: float = 0.0
    accepted_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    accepted_by: str | None = Field(default=None, max_length=60)
    stand_ins: list[dict[str, object]] = Field(
        default_factory=list, sa_type=JSON, sa_column_kwargs={"server_default": "[]"}
    )
    starts: list["PlannedStart"] = Relationship(back_populates="plan")


class PlannedStart(SQLModel, table=True):
    """Trays of a protocol that a propagation plan starts in an ISO week."""

    __tablename__ = "planned_start"
    __table_args__ = (
        UniqueConstraint("plan_id", "protocol_id", "week", "extra_weeks", name="uq_planned_start"),
        check("planned_start", "trays", "trays >= 1 AND extra_weeks >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    plan_id: int = Field(foreign_key="plan_version.id", index=True)
    protocol_id: int = Field(foreign_key="protocol.id")
    week: str = Field(max_length=8)
    extra_weeks: int = 0
    trays: int
    batch_id: int | None = Field(default=None, foreign_key="batch.id")
    plan: PlanVersion = Relationship(back_populates="starts")
    protocol: Protocol = Relationship()


def starts_with_ways() -> tuple[ExecutableOption, ...]:
    """What a list of starts reads beside them, once for all: protocol, crop, stages, trays."""
    way = selectinload(PlannedStart.protocol)  # type: ignore[arg-type]
    stages = way.selectinload(Protocol.stages)  # type: ignore[arg-type]
    return (
        way.selectinload(Protocol.crop),  # type: ignore[arg-type]
        stages.joinedload(Stage.tray_format),  # type: ignore[arg-type]
    )


def newest_version(session: Session, kind: PlanKind) -> int:
    """Which version did the latest plan of this kind get? 0 where none was made yet."""
    query = select(func.max(PlanVersion.version)).where(PlanVersion.kind == kind)
    return int(session.exec(query).one() or 0)
