"""Mother plants: how many propagules they yield, and when they must be left alone."""

from datetime import date
from enum import StrEnum

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, check, one_of
from nursery.crop import Crop


class PauseKind(StrEnum):
    """Why nothing is taken from a mother block in some weeks of the year."""

    REST = "rest"
    BLACKOUT = "blackout"


class MotherBlock(SQLModel, table=True):
    """Stock plants of one crop kept together. The reserve is never cut.

    Young plants that take its place are wanted `renewal_weeks` before its use ends (0: it is not
    renewed); see `planning.renewal`.
    """

    __tablename__ = "mother_block"
    __table_args__ = (
        check("mother_block", "plants", "plants >= 0"),
        check("mother_block", "reserve", "reserve >= 0 AND reserve <= plants"),
        check("mother_block", "quota", "propagules_a_week >= 0"),
        check("mother_block", "renewal", "renewal_weeks >= 0"),
        check(
            "mother_block", "use", "use_until IS NULL OR use_from IS NULL OR use_until >= use_from"
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True, min_length=1, max_length=40)
    crop_id: int = Field(foreign_key="crop.id", index=True)
    plants: int
    reserve: int = 0
    propagules_a_week: float
    use_from: date | None = None
    use_until: date | None = None
    renewal_weeks: int = 8
    crop: Crop = Relationship()
    pauses: list["MotherPause"] = Relationship(back_populates="block")

    @property
    def weekly_quota(self) -> int:
        """How many propagules may be taken in a week that is not paused?"""
        return int((self.plants - self.reserve) * self.propagules_a_week)


class MotherPause(SQLModel, table=True):
    """ISO week numbers, every year, in which nothing is taken; may wrap over new year."""

    __tablename__ = "mother_pause"
    __table_args__ = (
        UniqueConstraint("block_id", "first_week", name="uq_mother_pause_first_week"),
        one_of("mother_pause", "kind", PauseKind),
        check(
            "mother_pause", "weeks", "first_week BETWEEN 1 AND 53 AND last_week BETWEEN 1 AND 53"
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    block_id: int = Field(foreign_key="mother_block.id", index=True)
    kind: PauseKind = Field(sa_type=Kind(PauseKind))
    first_week: int
    last_week: int
    block: MotherBlock = Relationship(back_populates="pauses")

    def covers(self, week_number: int) -> bool:
        """Does the pause hold in this ISO week number (1..53)?"""
        if self.first_week <= self.last_week:
            return self.first_week <= week_number <= self.last_week
        return week_number >= self.first_week or week_number <= self.last_week
