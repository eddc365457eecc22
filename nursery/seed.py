"""Seed lots: how much of a crop's seed is there, how well does it germinate, until when?"""

from datetime import date

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import check
from nursery.crop import Crop


class SeedLot(SQLModel, table=True):
    """Seed of one crop that came together. `seeds` is what the lot held when it was tested.

    `germination` is the share that came up in the test of `tested_on`; nothing is sown of it after
    `sow_by`. What is left follows from the batches that were sown of it (`growing.sowing`).
    """

    __tablename__ = "seed_lot"
    __table_args__ = (
        UniqueConstraint("code", name="uq_seed_lot_code"),
        check("seed_lot", "germination", "germination > 0 AND germination <= 1"),
        check("seed_lot", "seeds", "seeds >= 0"),
        check("seed_lot", "dates", "tested_on IS NULL OR sow_by >= tested_on"),
    )
    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(min_length=1, max_length=40)
    crop_id: int = Field(foreign_key="crop.id", index=True)
    seeds: int
    germination: float
    tested_on: date | None = None
    sow_by: date
    crop: Crop = Relationship()
