"""Materials: what is used up by starting, moving and posting plants, and how soon more comes."""

from enum import StrEnum

from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, check, one_of
from nursery.crop import TrayFormat
from nursery.order import Wrap


class MaterialKind(StrEnum):
    """What sort of thing it is."""

    TRAYS = "trays"
    SUBSTRATE = "substrate"
    LABELS = "labels"
    WRAP = "wrap"
    BOXES = "boxes"


class UsedFor(StrEnum):
    """For each what is some of it used?"""

    TRAY = "tray"
    BATCH = "batch"
    BUNDLE = "bundle"
    PARCEL = "parcel"


class Material(SQLModel, table=True):
    """Something that is used up: how much of it for each tray filled, batch, bundle or parcel.

    With a tray format it is used for trays of that format alone, with a wrap for bundles in that
    wrap alone. Amounts, stock and pack are in its own `unit`; a supplier sends whole packs,
    `lead_days` after the order. `in_stock` is None where nobody has counted it.
    """

    __tablename__ = "material"
    __table_args__ = (
        one_of("material", "kind", MaterialKind),
        one_of("material", "used_for", UsedFor),
        check("material", "amounts", "amount >= 0 AND pack > 0 AND lead_days >= 0 AND spare >= 0"),
        check("material", "stock", "in_stock IS NULL OR in_stock >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    kind: MaterialKind = Field(sa_type=Kind(MaterialKind))
    unit: str = Field(default="pieces", min_length=1, max_length=20)
    used_for: UsedFor = Field(sa_type=Kind(UsedFor))
    amount: float = 1.0
    tray_format_id: int | None = Field(default=None, foreign_key="tray_format.id")
    wrap_id: int | None = Field(default=None, foreign_key="wrap.id")
    in_stock: float | None = None
    spare: float = 0.0
    lead_days: int = 14
    pack: float = 1.0
    tray_format: TrayFormat | None = Relationship()
    wrap: Wrap | None = Relationship()
