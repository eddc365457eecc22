"""What is expected to be wanted beyond the orders on the book."""

from enum import StrEnum

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, check, one_of
from nursery.crop import Crop


class DemandKind(StrEnum):
    """Who wants the plugs."""

    EXPECTED_SALES = "expected sales"
    PLANTING_OUT = "planting out"
    MOTHER_RENEWAL = "mother renewal"


class Demand(SQLModel, table=True):
    """Plugs of a crop wanted in an ISO week ("2027-W14")."""

    __tablename__ = "demand"
    __table_args__ = (
        UniqueConstraint("crop_id", "week", "kind", name="uq_demand"),
        one_of("demand", "kind", DemandKind),
        check("demand", "plugs", "plugs >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    crop_id: int = Field(foreign_key="crop.id", index=True)
    week: str = Field(max_length=8)
    kind: DemandKind = Field(sa_type=Kind(DemandKind))
    plugs: int
    crop: Crop = Relationship()
