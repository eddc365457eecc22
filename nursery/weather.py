"""Climate stations: their normals, their observed days and their forecasts."""

from datetime import date, datetime

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, SQLModel

from nursery.columns import UtcDateTime, check


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
