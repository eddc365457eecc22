"""What a parcel is besides the plants: boxes, heat and cold packs, care cards; trials of wraps."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, UtcDateTime, check, one_of
from nursery.order import Product, Wrap


class Against(StrEnum):
    """What does a pack help against?"""

    HEAT = "heat"
    FROST = "frost"


class TravelPack(SQLModel, table=True):
    """A heat pack (against frost) or a cold pack (against heat) that may go into a parcel.

    It keeps `covers_c` °C off for `hours` from packing on, and is trusted down to (frost) or up to
    (heat) `outside_c` outside, never further. Cost in cents, weight in grams. What a pack does is
    told by its maker and by a logger in a trial parcel; the rows here have no source. `in_stock`
    (None: nobody has counted them) less `spare` may be used; more comes `lead_days` after the
    order, in whole lots of `sold_in`.
    """

    __tablename__ = "travel_pack"
    __table_args__ = (
        one_of("travel_pack", "against", Against),
        check("travel_pack", "hours", "hours > 0 AND covers_c > 0"),
        check("travel_pack", "money", "cost_cents >= 0 AND weight_g >= 0 AND minutes >= 0"),
        check("travel_pack", "in_stock", "in_stock IS NULL OR in_stock >= 0"),
        check("travel_pack", "spare", "spare >= 0"),
        check("travel_pack", "lead_days", "lead_days >= 0"),
        check("travel_pack", "sold_in", "sold_in >= 1"),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    against: Against = Field(sa_type=Kind(Against))
    hours: float
    covers_c: float
    outside_c: float
    cost_cents: int = 0
    weight_g: int = 0
    minutes: float = 0.5
    in_stock: int | None = None
    spare: int = Field(default=0, sa_column_kwargs={"server_default": "0"})
    lead_days: int = Field(default=14, sa_column_kwargs={"server_default": "14"})
    sold_in: int = Field(default=1, sa_column_kwargs={"server_default": "1"})


class ParcelBox(SQLModel, table=True):
    """A kind of box: room for so many units (a plug of the usual size is one), empty weight, price.

    A product says how many units one of it takes, if not one a plug. Of the vapour that a wrap
    would lose in the open only `vapour_share` gets out of the closed box: weigh a trial parcel in
    it and one beside it; 1 (the box keeps nothing in) until somebody has.
    """

    __tablename__ = "parcel_box"
    __table_args__ = (
        check("parcel_box", "room", "room >= 1"),
        check("parcel_box", "money", "weight_g >= 0 AND cost_cents >= 0"),
        check("parcel_box", "vapour_share", "vapour_share > 0 AND vapour_share <= 1"),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    room: int
    weight_g: int = 0
    cost_cents: int = 0
    vapour_share: float = Field(default=1.0, sa_column_kwargs={"server_default": "1.0"})


MEAN_C, NIGHT_C = (-20.0, 50.0), (-30.0, 50.0)
"""In which air, °C, can a trial parcel have lain? Colder, a wet wrap is ice; no source, our own."""
LONGEST_TRIAL_HOURS, HEAVIEST_G, MOST_DRUNK_G_PER_H = 2000, 10**6, 1000


class WrapTrial(SQLModel, table=True):
    """Two weighings of a trial parcel in this wrap, `hours` apart, grams, and the air it lay in.

    The air is told by its mean `mean_c` and its relative `humidity` (a share), or, where nobody
    measured that, by the night's minimum `night_c` (FAO-56 equation 48). `plants_take_g_per_h` is
    what the plants drank themselves; 0 where it was packed without plants or nobody knows.
    """

    __tablename__ = "wrap_trial"
    __table_args__ = (
        UniqueConstraint("wrap_id", "weighed_at", name="uq_wrap_trial"),
        check("wrap_trial", "grams", "grams_before > 0 AND grams_after >= 0"),
        check("wrap_trial", "lost", "grams_after <= grams_before"),
        check("wrap_trial", "hours", "hours > 0 AND plants_take_g_per_h >= 0"),
        check("wrap_trial", "humidity", "humidity IS NULL OR (humidity >= 0 AND humidity < 1)"),
        check("wrap_trial", "air", "humidity IS NOT NULL OR night_c IS NOT NULL"),
        check("wrap_trial", "night", "night_c IS NULL OR night_c <= mean_c"),
    )
    id: int | None = Field(default=None, primary_key=True)
    wrap_id: int = Field(foreign_key="wrap.id", index=True)
    weighed_at: datetime = Field(sa_type=UtcDateTime)
    grams_before: float
    grams_after: float
    hours: float
    mean_c: float
    humidity: float | None = None
    night_c: float | None = None
    plants_take_g_per_h: float = 0.0
    weighed_by: str = Field(default="", max_length=60)
    wrap: Wrap = Relationship()


class CareCard(SQLModel, table=True):
    """What the card in the parcel says of a product; a blank takes the usual sentence.

    `within_days` is by when it is potted or planted, after it has come.
    """

    __tablename__ = "care_card"
    __table_args__ = (
        check("care_card", "within", "within_days IS NULL OR within_days BETWEEN 1 AND 60"),
    )
    id: int | None = Field(default=None, primary_key=True)
    product_id: int = Field(foreign_key="product.id", unique=True)
    unwrap: str = Field(default="", max_length=300)
    within_days: int | None = None
    plant: str = Field(default="", max_length=300)
    shade: str = Field(default="", max_length=300)
    pests: str = Field(default="", max_length=300)
    more: str = Field(default="", max_length=300)
    product: Product = Relationship()
