"""Forecasts from a CSV file: one row a station and day, in a declared unit."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlmodel import Session

from nursery.database import now, site
from nursery.errors import Fault
from nursery.growing.forecasting import record_forecast
from nursery.weather import Degrees, Forecast
from nursery.weather_in.answer import ForecastDay
from nursery.weather_in.units import celsius

HEADINGS = ("Station", "Day", "Minimum", "Maximum")
"""Needed in the first row, in any order; `Issued at` and `Unit` may stand beside them."""
LARGEST_BYTES = 2_000_000
_UNITS = {
    "c": Degrees.CELSIUS,
    "°c": Degrees.CELSIUS,
    "celsius": Degrees.CELSIUS,
    "f": Degrees.FAHRENHEIT,
    "°f": Degrees.FAHRENHEIT,
    "fahrenheit": Degrees.FAHRENHEIT,
}


@dataclass(frozen=True, slots=True)
class _Row:
    station: str
    issued_at: datetime
    unit: Degrees
    day: ForecastDay


def unit_named(text: str) -> Degrees:
    """Which unit is this: C, °C, F, °F? Raises Fault for another word."""
    found = _UNITS.get(text.strip().casefold())
    if found is None:
        raise Fault("Unit", "must be C or F", text, "write C for degrees Celsius")
    return found


def load_forecasts(
    session: Session, path: Path, unit: Degrees = Degrees.CELSIUS, issued_at: datetime | None = None
) -> dict[str, list[Forecast]]:
    """Which rows does this CSV file write, by station? All of them, or none.

    `unit` and `issued_at` hold for rows that do not say; without either of the latter the forecast
    counts as issued now. A moment without a zone is the nursery's own. Commas or semicolons. Raises
    what `growing.forecasting.record_forecast` does, and Fault with the row for what cannot be read.
    """
    zone = ZoneInfo(site(session).time_zone)
    usual = issued_at or now(session).replace(microsecond=0)
    groups: dict[tuple[str, datetime, Degrees], list[ForecastDay]] = {}
    for row in _rows(path, unit, usual, zone):
        groups.setdefault((row.station, row.issued_at, row.unit), []).append(row.day)
    if not groups:
        raise Fault(path.name, "must hold at least one day", 0, "give the days")
    written: dict[str, list[Forecast]] = {}
    for station, issued, given in sorted(groups):  # stations are locked in one order by everybody
        days = groups[station, issued, given]
        rows = record_forecast(session, station, issued, days, given)
        written.setdefault(station, []).extend(rows)
    return written


def _rows(path: Path, unit: Degrees, issued: datetime, zone: ZoneInfo) -> Iterator[_Row]:
    text = _text(path)
    head = text.partition("\n")[0]
    reader = csv.DictReader(io.StringIO(text), delimiter=";" if head.count(";") >= 3 else ",")
    names = {str(name).strip().casefold(): name for name in reader.fieldnames or ()}
    missing = [each for each in HEADINGS if each.casefold() not in names]
    if missing:
        rule = f"its first row must have {', '.join(HEADINGS)}"
        raise Fault(path.name, rule, f"no {', '.join(missing)}", "add the headings")
    for number, raw in enumerate(reader, start=2):
        cells = {key: (raw.get(name) or "").strip() for key, name in names.items()}
        if any(cells.values()):
            yield _row(f"{path.name}, row {number}", cells, unit, issued, zone)


def _text(path: Path) -> str:
    if not path.is_file():
        raise Fault("File", "must exist", str(path), "check its name")
    if path.stat().st_size > LARGEST_BYTES:
        raise Fault(path.name, f"must be at most {LARGEST_BYTES} bytes", path.stat().st_size, "cut")
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Fault(path.name, "must be a CSV file in UTF-8", "other bytes", "save it so") from None


def _row(
    where: str, cells: Mapping[str, str], unit: Degrees, issued: datetime, zone: ZoneInfo
) -> _Row:
    given = unit_named(cells["unit"]) if cells.get("unit") else unit
    try:
        day = date.fromisoformat(cells["day"])
    except ValueError:
        raise Fault(where, "Day must be a date such as 2027-07-01", cells["day"], "mend") from None
    low, high = (_number(where, name, cells[name.casefold()]) for name in HEADINGS[2:])
    at = issued
    if cells.get("issued at"):
        try:
            at = datetime.fromisoformat(cells["issued at"])
        except ValueError:
            rule = "Issued at must be a date and time such as 2027-07-01 06:00"
            raise Fault(where, rule, cells["issued at"], "mend") from None
        at = at if at.tzinfo is not None else at.replace(tzinfo=zone)
    return _Row(
        cells["station"], at, given, ForecastDay(day, celsius(low, given), celsius(high, given))
    )


def _number(where: str, name: str, text: str) -> float:
    try:
        return float(text.replace(",", ".").replace("−", "-"))
    except ValueError:
        raise Fault(where, f"{name} must be a number", text, "mend, or leave the row out") from None
