"""Carrier services, the zones they deliver to, transit times, postage, closures and openings."""

from datetime import date, datetime, time
from enum import StrEnum

from sqlalchemy import JSON, UniqueConstraint
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, UtcDateTime, check, one_of
from nursery.weather import Station


class ClosedAt(StrEnum):
    """Where a closure holds."""

    ORIGIN = "origin"
    SERVICE = "service"
    ZONE = "zone"
    REGION = "region"


class CarrierService(SQLModel, table=True):
    """A carrier's product: when it collects and delivers.

    Weekday masks are seven characters, Monday first, "1111000" = Monday to Thursday.
    Times are the site's own. An order placed after `cut_off`, `cut_off_days_before` open
    days before the pack day, is too late for it. `pack_same_day` says whether parcels are
    packed on the ship day itself or on the last open day before it. On a hot day its vehicles are
    `warmer_c` °C warmer inside than the air outside: measured with a logger, 0 until then.
    """

    __tablename__ = "carrier_service"
    __table_args__ = (
        check("carrier_service", "collects", "length(collects) = 7"),
        check("carrier_service", "delivers", "length(delivers) = 7"),
        check("carrier_service", "cut_off_days", "cut_off_days_before >= 0"),
        check("carrier_service", "price", "price_cents >= 0"),
        check("carrier_service", "warmer_c", "warmer_c >= 0 AND warmer_c <= 30"),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    collects: str = "1111100"
    delivers: str = "1111110"
    collection_time: time = time(15, 30)
    cut_off: time = time(12, 0)
    cut_off_days_before: int = 1
    pack_same_day: bool = True
    price_cents: int = 0
    warmer_c: float = Field(default=0.0, sa_column_kwargs={"server_default": "0.0"})


class Zone(SQLModel, table=True):
    """Where a group of postcodes lies: its public holidays and its climate."""

    __tablename__ = "zone"
    __table_args__ = (check("zone", "country", "length(country) = 2"),)
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    country: str
    holiday_region: str = Field(max_length=12)
    station_id: int | None = Field(default=None, foreign_key="station.id")
    blocked: str = Field(default="", max_length=200)
    station: Station | None = Relationship()


class ZonePrefix(SQLModel, table=True):
    """Which zone a postcode is in: the longest prefix wins; "" is the whole country."""

    __tablename__ = "zone_prefix"
    __table_args__ = (UniqueConstraint("country", "prefix", name="uq_zone_prefix"),)
    id: int | None = Field(default=None, primary_key=True)
    zone_id: int = Field(foreign_key="zone.id", index=True)
    country: str = Field(max_length=2)
    prefix: str = Field(default="", max_length=12)


class Transit(SQLModel, table=True):
    """Which share of parcels arrives on the J+n-th delivery day (EN 13850 sense), per cent."""

    __tablename__ = "transit"
    __table_args__ = (
        UniqueConstraint("service_id", "zone_id", "delivery_days", name="uq_transit_days"),
        check("transit", "days", "delivery_days >= 1"),
        check("transit", "percent", "percent > 0 AND percent <= 100"),
    )
    id: int | None = Field(default=None, primary_key=True)
    service_id: int = Field(foreign_key="carrier_service.id", index=True)
    zone_id: int = Field(foreign_key="zone.id", index=True)
    delivery_days: int
    percent: float


class Closure(SQLModel, table=True):
    """Days on which nothing is collected or delivered; both days included.

    `key` names the service, zone or holiday region that is closed ("" for the origin).
    """

    __tablename__ = "closure"
    __table_args__ = (
        UniqueConstraint("closed_at", "key", "first_day", name="uq_closure"),
        one_of("closure", "closed_at", ClosedAt),
        check("closure", "days", "last_day >= first_day"),
    )
    id: int | None = Field(default=None, primary_key=True)
    closed_at: ClosedAt = Field(sa_type=Kind(ClosedAt))
    key: str = Field(default="", max_length=60)
    first_day: date
    last_day: date
    reason: str = Field(min_length=1, max_length=120)


class TransitTaken(SQLModel, table=True):
    """A learned distribution that a person took into use for a service to a zone.

    `shares` is [[delivery days, share from 0 to 1], ...], ascending; `parcels` were delivered when
    it was learned, `on_the_way` not yet. The newest that was not put back stands in place of the
    Transit sheet, which stays as the prior. Rows are only ever added or put back.
    """

    __tablename__ = "transit_taken"
    __table_args__ = (
        check("transit_taken", "parcels", "parcels >= 1 AND on_the_way >= 0"),
        check("transit_taken", "name", "length(taken_by) > 0 AND length(reason) > 0"),
        check(
            "transit_taken",
            "put_back",
            "(put_back_at IS NULL) = (put_back_by = '')"
            " AND (put_back_at IS NULL) = (put_back_reason = '')",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    service_id: int = Field(foreign_key="carrier_service.id", index=True)
    zone_id: int = Field(foreign_key="zone.id", index=True)
    shares: list[list[float]] = Field(sa_type=JSON)
    parcels: int
    on_the_way: int
    taken_by: str = Field(max_length=60)
    reason: str = Field(max_length=200)
    taken_at: datetime = Field(sa_type=UtcDateTime)
    put_back_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    put_back_by: str = Field(default="", max_length=60)
    put_back_reason: str = Field(default="", max_length=200)


class ZoneOpening(SQLModel, table=True):
    """Days for which an authorised person opened a blocked zone; both included.

    A parcel must leave and arrive within them. After `last_day` the zone is blocked again by
    itself; `ended_at` says that somebody blocked it before. Never written but by a person.
    """

    __tablename__ = "zone_opening"
    __table_args__ = (
        check("zone_opening", "days", "last_day >= first_day"),
        check("zone_opening", "name", "length(opened_by) > 0 AND length(reason) > 0"),
        check(
            "zone_opening",
            "ended",
            "(ended_at IS NULL) = (ended_by = '') AND (ended_at IS NULL) = (ended_reason = '')",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    zone_id: int = Field(foreign_key="zone.id", index=True)
    first_day: date
    last_day: date
    opened_by: str = Field(max_length=60)
    reason: str = Field(max_length=200)
    opened_at: datetime = Field(sa_type=UtcDateTime)
    ended_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    ended_by: str = Field(default="", max_length=60)
    ended_reason: str = Field(default="", max_length=200)


class PostageBand(SQLModel, table=True):
    """Up to this weight (g) a packed box costs so much (cents) by this service to this zone.

    Heavier boxes than the last band the service does not take there.
    """

    __tablename__ = "postage_band"
    __table_args__ = (
        UniqueConstraint("service_id", "zone_id", "up_to_g", name="uq_postage_band"),
        check("postage_band", "up_to", "up_to_g >= 1"),
        check("postage_band", "price", "price_cents >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    service_id: int = Field(foreign_key="carrier_service.id", index=True)
    zone_id: int = Field(foreign_key="zone.id", index=True)
    up_to_g: int
    price_cents: int
