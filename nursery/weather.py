"""Stations: normals, observed days, forecasts and where they come from, days decided by hand."""

from datetime import date, datetime
from enum import StrEnum

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, SQLModel

from nursery.columns import Kind, UtcDateTime, check, one_of


class Degrees(StrEnum):
    """In which unit is a temperature given?"""

    CELSIUS = "°C"
    FAHRENHEIT = "°F"


class Station(SQLModel, table=True):
    """A place with weather: the nursery's own, or one that stands for a zone."""

    __tablename__ = "station"
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    latitude: float | None = None


class MonthNormal(SQLModel, table=True):
    """A month's mean daily minimum and maximum with their standard deviations, °C."""

    __tablename__ = "month_normal"
    __table_args__ = (
        UniqueConstraint("station_id", "month", name="uq_month_normal_month"),
        check("month_normal", "month", "month BETWEEN 1 AND 12"),
        check("month_normal", "order", "max_c >= min_c"),
        check("month_normal", "spread", "min_sd_c >= 0 AND max_sd_c >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    station_id: int = Field(foreign_key="station.id", index=True)
    month: int
    min_c: float
    max_c: float
    min_sd_c: float = 3.0
    max_sd_c: float = 3.5


class WeatherDay(SQLModel, table=True):
    """One observed day at a station, °C."""

    __tablename__ = "weather_day"
    __table_args__ = (
        UniqueConstraint("station_id", "day", name="uq_weather_day_day"),
        check("weather_day", "order", "max_c >= min_c"),
        check("weather_day", "range", "min_c > -90 AND max_c < 60"),
    )
    id: int | None = Field(default=None, primary_key=True)
    station_id: int = Field(foreign_key="station.id", index=True)
    day: date
    min_c: float
    max_c: float


class Forecast(SQLModel, table=True):
    """What was forecast for a day at a station, and when it was issued, °C."""

    __tablename__ = "forecast"
    __table_args__ = (
        UniqueConstraint("station_id", "day", "issued_at", name="uq_forecast_day_issue"),
        check("forecast", "order", "max_c >= min_c"),
        check("forecast", "range", "min_c > -90 AND max_c < 60"),
    )
    id: int | None = Field(default=None, primary_key=True)
    station_id: int = Field(foreign_key="station.id", index=True)
    day: date
    issued_at: datetime = Field(sa_type=UtcDateTime)
    min_c: float
    max_c: float


class ForecastSource(SQLModel, table=True):
    """Where a station's forecast is fetched, and which field of the answer (JSON) is what.

    Paths are dotted ("days.0.high"). `days_at` leads to a list of objects, one a day, or to one
    object of parallel lists; "" is the answer itself. `day_field`, `min_field` and `max_field`
    start there, `issued_at` at the top of the answer; "" takes the time of the answer. Moments
    without a zone are in `time_zone`, the site's where it is "". `{key}` in the address stands for
    NURSERY_FORECAST_KEY, which is kept nowhere else.
    """

    __tablename__ = "forecast_source"
    __table_args__ = (
        one_of("forecast_source", "unit", Degrees),
        check("forecast_source", "address", "length(address) > 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    station_id: int = Field(foreign_key="station.id", unique=True)
    address: str = Field(min_length=1, max_length=500)
    days_at: str = Field(default="", max_length=120)
    day_field: str = Field(min_length=1, max_length=120)
    min_field: str = Field(min_length=1, max_length=120)
    max_field: str = Field(min_length=1, max_length=120)
    issued_at: str = Field(default="", max_length=120)
    unit: Degrees = Field(default=Degrees.CELSIUS, sa_type=Kind(Degrees))
    time_zone: str = Field(default="", max_length=60)


class ForecastPull(SQLModel, table=True):
    """How did it go when a station's forecast was last fetched? `warning` is "" if all was well."""

    __tablename__ = "forecast_pull"
    id: int | None = Field(default=None, primary_key=True)
    station_id: int = Field(foreign_key="station.id", unique=True)
    tried_at: datetime = Field(sa_type=UtcDateTime)
    good_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    warning: str = Field(default="", max_length=400)


class WayStation(SQLModel, table=True):
    """A station whose weather parcels to a zone meet on the way, beside those at both ends."""

    __tablename__ = "way_station"
    __table_args__ = (UniqueConstraint("zone_id", "station_id", name="uq_way_station"),)
    id: int | None = Field(default=None, primary_key=True)
    zone_id: int = Field(foreign_key="zone.id", index=True)
    station_id: int = Field(foreign_key="station.id")


class HoldDecision(SQLModel, table=True):
    """A person opens or closes ship days, whatever forecast and climate say; both days included.

    `place` names a zone or a holiday region, "" is everywhere. It stands until it is withdrawn.
    """

    __tablename__ = "hold_decision"
    __table_args__ = (
        UniqueConstraint("place", "first_day", "decided_at", name="uq_hold_decision"),
        check("hold_decision", "days", "last_day >= first_day"),
        check("hold_decision", "name", "length(decided_by) > 0 AND length(reason) > 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    place: str = Field(default="", max_length=60)
    first_day: date
    last_day: date
    opens: bool
    decided_by: str = Field(min_length=1, max_length=60)
    reason: str = Field(min_length=1, max_length=200)
    decided_at: datetime = Field(sa_type=UtcDateTime)
    withdrawn_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
