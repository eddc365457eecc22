"""Crops, the trays they stand in, and the protocols by which they are propagated."""

from enum import StrEnum

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import selectinload
from sqlalchemy.sql.base import ExecutableOption
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, check, one_of
from nursery.errors import Fault


class Method(StrEnum):
    """How a protocol begins."""

    SEED = "seed"
    CUTTING = "cutting"
    ROOT_CUTTING = "root cutting"
    OFFSET = "offset"
    DIVISION = "division"
    TISSUE_CULTURE = "tissue culture"
    BOUGHT_IN = "bought in"


class StageKind(StrEnum):
    """The stages of a protocol, in the order in which a batch can pass them."""

    ON_ORDER = "on order"
    ISOLATION = "isolation"
    STRIKE = "strike"
    GROW_ON = "grow on"
    HARDEN_OFF = "harden off"
    READY = "ready"


class Clock(StrEnum):
    """What a stage waits for."""

    DAYS = "days"
    WARMTH = "warmth"
    CHILL = "chill"
    HARDENING = "hardening"


class AreaKind(StrEnum):
    """What kind of growing area a stage needs."""

    PROPAGATION = "propagation house"
    GROWING = "growing house"
    FRAME = "hardening frame"
    READY = "ready bench"
    ISOLATION = "isolation house"
    NONE = "none"


class TrayFormat(SQLModel, table=True):
    """A tray: how many cells it has and how many tray places it takes."""

    __tablename__ = "tray_format"
    __table_args__ = (
        check("tray_format", "cells", "cells >= 1"),
        check("tray_format", "places", "places >= 1"),
        check("tray_format", "cost", "cost_cents >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    cells: int
    places: int = 1
    cost_cents: int = 0


class Crop(SQLModel, table=True):
    """A plant kept for sale as plugs. Money in cents a plug, times in weeks.

    `priority` weighs what is unmet or late of it (2 = as bad as two of another crop); ready plugs
    may be held cold for `cold_weeks` at most (`growing.cold`).
    """

    __tablename__ = "crop"
    __table_args__ = (
        UniqueConstraint("botanical_name", "cultivar", name="uq_crop_name"),
        check("crop", "life", "life_weeks >= 1"),
        check("crop", "lateness", "lateness_weeks >= 0"),
        check("crop", "service", "service_level > 0 AND service_level < 1"),
        check("crop", "priority", "priority > 0"),
        check("crop", "cold", "cold_weeks >= 0"),
        check(
            "crop",
            "money",
            "shortage_cents >= 0 AND late_cents >= 0 AND discard_cents >= 0 AND store_cents >= 0",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    botanical_name: str = Field(min_length=1, max_length=120)
    cultivar: str = Field(default="", max_length=120)
    plant_group: str = Field(default="", max_length=60)
    life_weeks: int = 4
    lateness_weeks: int = 2
    service_level: float = 0.9
    shortage_cents: float = 150.0
    late_cents: float = 15.0
    store_cents: float = 0.5
    discard_cents: float = 5.0
    priority: float = 1.0
    cold_weeks: int = 2
    protocols: list["Protocol"] = Relationship(
        back_populates="crop", sa_relationship_kwargs={"order_by": "Protocol.name"}
    )

    @property
    def name(self) -> str:
        """What is this crop called on a page? Botanical name and 'Cultivar'."""
        return f"{self.botanical_name} '{self.cultivar}'" if self.cultivar else self.botanical_name


class Protocol(SQLModel, table=True):
    """One way to raise (or buy in) a crop.

    `flush` is the share of a batch that becomes ready in each week from the first, in
    per cent, as text ("70/20/10"). Costs in cents; `batch_minutes` fall when it is started.
    `by_consent`: its plugs are sold as bought in, to customers alone who agreed to that. None: so
    it is where it begins as bought in, since customers expect plants that were raised here.
    """

    __tablename__ = "protocol"
    __table_args__ = (
        UniqueConstraint("crop_id", "name", name="uq_protocol_name"),
        one_of("protocol", "method", Method),
        check("protocol", "smallest_batch", "smallest_batch >= 1"),
        check("protocol", "propagules", "propagules_per_cell >= 0"),
        check("protocol", "extra", "extra_weeks >= 0 AND extra_cents >= 0"),
        check("protocol", "money", "tray_cents >= 0 AND batch_cents >= 0 AND batch_minutes >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    crop_id: int = Field(foreign_key="crop.id", index=True)
    name: str = Field(min_length=1, max_length=60)
    method: Method = Field(sa_type=Kind(Method))
    mother_block_id: int | None = Field(default=None, foreign_key="mother_block.id", index=True)
    propagules_per_cell: float = 1.0
    smallest_batch: int = 1
    tray_cents: int = 0
    batch_cents: int = 0
    batch_minutes: int = 30
    extra_weeks: int = 0
    extra_cents: int = 0
    flush: str = Field(default="100", max_length=60)
    assumed: str = Field(default="", max_length=400)
    learned_flush: str = Field(default="", max_length=60)
    by_consent: bool | None = None
    crop: Crop = Relationship(back_populates="protocols")
    stages: list["Stage"] = Relationship(
        back_populates="protocol", sa_relationship_kwargs={"order_by": "Stage.position"}
    )

    @property
    def sold_as_bought_in(self) -> bool:
        """Do its plugs go only to customers who agreed to plants that were bought in?"""
        if self.by_consent is None:
            return self.method is Method.BOUGHT_IN
        return self.by_consent

    @property
    def flush_shares(self) -> tuple[float, ...]:
        """Which share of a batch is ready in each week from the first? Sums to 1.

        The learned one where the lead uses it (`growing.learning`), else the book's.
        """
        return parse_flush(self.learned_flush or self.flush)


class Stage(SQLModel, table=True):
    """One stage of a protocol: its clock, where it stands, who survives it.

    `clock_amount` is days, °C·d above `base_c` (upper cut-off `upper_c`), days at or below
    `base_c` (chill), or days whose minimum is at least `base_c` and maximum at most
    `upper_c` (hardening). `minutes` of work a tray fall in the week the stage is entered.
    `survival` is the mean share that lives through it, `overdispersion` rho.

    These are the book's. `learned_...` are the nursery's own where the lead uses them
    (`growing.learning`), else None: plans read the `used_...` ones.
    """

    __tablename__ = "stage"
    __table_args__ = (
        UniqueConstraint("protocol_id", "position", name="uq_stage_position"),
        one_of("stage", "kind", StageKind),
        one_of("stage", "area_kind", AreaKind),
        one_of("stage", "clock", Clock),
        check("stage", "position", "position >= 1"),
        check("stage", "amount", "clock_amount >= 0"),
        check("stage", "survival", "survival > 0 AND survival <= 1"),
        check("stage", "overdispersion", "overdispersion >= 0 AND overdispersion < 1"),
        check("stage", "minutes", "minutes >= 0"),
        check("stage", "limits", "upper_c IS NULL OR base_c IS NULL OR upper_c > base_c"),
        check(
            "stage",
            "learned",
            "(learned_survival IS NULL OR (learned_survival > 0 AND learned_survival <= 1))"
            " AND (learned_overdispersion IS NULL"
            " OR (learned_overdispersion >= 0 AND learned_overdispersion < 1))"
            " AND (learned_minutes IS NULL OR learned_minutes >= 0)",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    protocol_id: int = Field(foreign_key="protocol.id", index=True)
    position: int
    kind: StageKind = Field(sa_type=Kind(StageKind))
    area_kind: AreaKind = Field(sa_type=Kind(AreaKind))
    tray_format_id: int | None = Field(default=None, foreign_key="tray_format.id")
    clock: Clock = Field(sa_type=Kind(Clock))
    clock_amount: float
    base_c: float | None = None
    upper_c: float | None = None
    survival: float = 1.0
    overdispersion: float = 0.0
    minutes: float = 0.0
    learned_survival: float | None = None
    learned_overdispersion: float | None = None
    learned_minutes: float | None = None
    learned_days: float | None = None
    protocol: Protocol = Relationship(back_populates="stages")
    tray_format: TrayFormat | None = Relationship()

    @property
    def used_survival(self) -> float:
        """Which mean share is taken to live through it?"""
        return self.survival if self.learned_survival is None else self.learned_survival

    @property
    def used_overdispersion(self) -> float:
        """How alike are the plugs of a batch taken to fare (rho)?"""
        known = self.learned_overdispersion
        return self.overdispersion if known is None else known

    @property
    def used_minutes(self) -> float:
        """How many minutes of work is a tray taken to need?"""
        return self.minutes if self.learned_minutes is None else self.learned_minutes

    @property
    def days_beside(self) -> int:
        """How many days more (or, below 0, fewer) than its clock says is it taken to last?"""
        return round(self.learned_days or 0.0)


def with_protocols() -> ExecutableOption:
    """What a list of crops reads beside them, once for all: protocols, stages and their trays.

    Else each crop would ask for its own, one by one.
    """
    stages = selectinload(Crop.protocols).selectinload(Protocol.stages)  # type: ignore[arg-type]
    return stages.joinedload(Stage.tray_format)  # type: ignore[arg-type]


def parse_flush(text: str) -> tuple[float, ...]:
    """Which share is ready in each week from the first, read from "70/20/10"?

    Raises `Fault` where a share is no number, is negative, or the sum is not 100 (+-0.5).
    """
    try:
        shares = tuple(float(part) for part in text.replace(",", ".").split("/"))
    except ValueError:
        raise Fault("Flush", "must be per cents such as 70/20/10", text, "mend it") from None
    if min(shares) < 0 or abs(sum(shares) - 100) > 0.5:
        raise Fault("Flush", "shares must be >= 0 and sum to 100", text, "mend the per cents")
    return tuple(share / sum(shares) for share in shares)
