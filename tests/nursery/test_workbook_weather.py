"""The sheets of weather: what is typed wrongly is said, and what was taken counts at once."""

from datetime import timedelta
from pathlib import Path

import pytest
from sqlmodel import select

from nursery.database import Database
from nursery.weather import ForecastSource, HoldDecision, WayStation
from tests.nursery.small_workbook import Tables, load_tables, opened


@pytest.fixture
def tables(db: Database, tmp_path: Path) -> Tables:
    return opened(db, tmp_path / "first.xlsx")


def test_a_winter_forecast_in_fahrenheit_is_refused_by_what_is_usual_then(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    """33 to 42 °F, a Dutch March day: as °C no value is too hot for some summer."""
    (row,) = tables["Forecasts"]
    others = [{**row, "Day": row["Day"] + timedelta(days=i)} for i in range(3)]  # type: ignore[operator]
    tables["Forecasts"] = [{**each, "Minimum": 33.0, "Maximum": 42.0} for each in others]
    found = load_tables(db, tmp_path / "n.xlsx", tables).faults
    assert "looks like °F in 3 rows of station 'Home'" in found[0].rule


def test_the_sources_of_forecasts_the_way_and_days_by_hand_are_taken(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert report.taken, report.lines()
    with db.reading() as session:
        source = session.exec(select(ForecastSource)).one()
        assert source.days_at == "forecast.days" and source.address.startswith("https://")
        assert session.exec(select(WayStation)).one()
        assert session.exec(select(HoldDecision)).one().decided_by == "Lea"


@pytest.mark.parametrize(
    ("sheet", "column", "value", "said"),
    [
        ("Forecast sources", "Address", "weather.example/days", "must begin with https://"),
        ("Forecast sources", "Time zone", "Mars/Olympus", "no time zone of that name"),
        ("Forecast sources", "Unit", "K", "°C"),
        ("Forecast sources", "Station", "Moon", "Stations"),
        ("On the way", "Zone", "Moon", "Zones"),
        ("Days by hand", "Which", "the moon", "region"),
        ("Days by hand", "Reason", None, "needed"),
        ("Products", "Caution", -1.0, ">= 0"),
        ("Services", "Vehicles warmer", 99.0, "<= 30"),
    ],
)
def test_what_is_typed_wrongly_in_them_is_one_fault_in_words(
    db: Database, tmp_path: Path, tables: Tables, sheet: str, column: str, value: object, said: str
) -> None:
    (row, *_) = tables[sheet]
    row[column] = value  # type: ignore[assignment]
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert not report.taken
    found = [fault for fault in report.faults if fault.sheet == sheet]
    assert len(found) == 1 and said in f"{found[0].rule} {found[0].next}", report.lines()
