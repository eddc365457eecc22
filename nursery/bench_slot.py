"""The rows of the kept bench map, and which crops are told to stand apart."""

from datetime import date

from sqlmodel import Field, SQLModel

from nursery.columns import check


class BenchSlot(SQLModel, table=True):
    """Places of a bench, side by side, for a batch (or planned start) in one stage.

    `stand` names the batch, or the protocol and week of a planned start, with the position of the
    stage. `first_place` counts from 1; `leaves_on` is the first day on which they are free again,
    cleaning not counted. A stand may have several slots.
    """

    __tablename__ = "bench_slot"
    __table_args__ = (
        check("bench_slot", "places", "first_place >= 1 AND places >= 1"),
        check("bench_slot", "days", "leaves_on > enters_on"),
    )
    id: int | None = Field(default=None, primary_key=True)
    stand: str = Field(min_length=1, max_length=320, index=True)
    bench_id: int = Field(foreign_key="bench.id", index=True)
    first_place: int
    places: int
    enters_on: date
    leaves_on: date


class StandApart(SQLModel, table=True):
    """Crops of this plant group share a disease: batches of two of them stand apart.

    At least `places` lie between them on one bench; always on two benches where it is None.
    """

    __tablename__ = "stand_apart"
    __table_args__ = (check("stand_apart", "places", "places IS NULL OR places >= 1"),)
    id: int | None = Field(default=None, primary_key=True)
    plant_group: str = Field(unique=True, min_length=1, max_length=60)
    places: int | None = None
