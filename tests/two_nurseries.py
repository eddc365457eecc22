"""Two small nurseries, as workbooks: one in the Pacific north-west, one in the Netherlands.

Nurseries, crops' figures and people are invented. The weather of the first is Seattle's as
`vega_datasets` carries it (seattle_weather, daily, °C, 2012 to 2015); the second has monthly
normals only (from memory).
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
from vega_datasets import local_data

from nursery.database import Database, now, site
from nursery.workbook import load, write_workbook
from nursery.workbook.sheet import Values
from tests.builders import MILD_MAX, MILD_MIN

Rows = dict[str, list[Values]]


@dataclass(frozen=True)
class Place:
    """A nursery of the test: where it is, whose holidays it keeps, and its morning."""

    name: str
    country: str
    region: str
    time_zone: str
    opening: datetime
    far: tuple[str, str]
    near_postcode: str
    currency: str

    @property
    def today(self) -> date:
        """The day on which the test's clock stands."""
        return self.opening.date()


def _opening(day: date, zone: str) -> datetime:
    return datetime.combine(day, time(7, 30), ZoneInfo(zone))


# Monday 8 February 2016: the Monday after is a holiday (Presidents' Day).
CEDAR = Place(
    "Cedar Fen Plugs",
    "US",
    "US-WA",
    "America/Los_Angeles",
    _opening(date(2016, 2, 8), "America/Los_Angeles"),
    ("US-OR", "97"),
    "98101",
    "USD",
)
# Monday 22 March 2027: the Monday after is Easter Monday, closed in the Netherlands.
ELZEN = Place(
    "Elzenlaag plugs",
    "NL",
    "NL",
    "Europe/Amsterdam",
    _opening(date(2027, 3, 22), "Europe/Amsterdam"),
    ("NL", "6"),
    "1011AB",
    "EUR",
)
CROPS = ("Caltha leptosepala", "Darmera peltata")
"""Marsh perennials; the first has a ready lot, the second is hardening off."""


def workbook_of(place: Place, weather: Rows) -> Rows:
    """Everything that this nursery would type: two crops, four areas, one van, two zones."""
    return {
        "Stations": [{"Name": "Home"}],
        "Site": [
            {
                "Name": place.name,
                "Country": place.country,
                "Holiday region": place.region,
                "Time zone": place.time_zone,
                "Station": "Home",
                "Currency": place.currency,
                "Passport registration": "XX-000000001",
                "Hold risk": 0.05,
            }
        ],
        **weather,
        "Tray formats": [{"Name": "72", "Cells": 72, "Cost": 60}],
        "Crops": [{"Botanical name": name, "Cultivar": "", "Life": 4} for name in CROPS],
        "Mother blocks": [
            {"Code": f"M-{name[:3]}", "Crop": name, "Plants": 200, "Reserve": 20, "Yield": 1.0}
            for name in CROPS
        ],
        "Mother pauses": [
            {
                "Mother block": f"M-{CROPS[0][:3]}",
                "Kind": "blackout",
                "First week": 18,
                "Last week": 22,
            }
        ],
        "Protocols": [
            {
                "Crop": name,
                "Protocol": "division",
                "Method": "division",
                "Mother block": f"M-{name[:3]}",
                "Smallest batch": 1,
                "Flush": "70/30",
            }
            for name in CROPS
        ],
        "Stages": [stage for name in CROPS for stage in _stages(name)],
        "Areas": [
            {
                "Name": "House",
                "Kind": "propagation house",
                "Sink": 15,
                "Coupling": 0.4,
                "Heated floor": 10,
            },
            {
                "Name": "Tunnel",
                "Kind": "growing house",
                "Sink": 11,
                "Coupling": 0.8,
                "Heated floor": 4,
            },
            {"Name": "Frame", "Kind": "hardening frame", "Sink": 10, "Coupling": 1.0},
            {"Name": "Sales", "Kind": "ready bench", "Sink": 10, "Coupling": 0.9},
        ],
        "Benches": [
            {"Area": area, "Name": f"{area} {i}", "Places": 20, "Walk order": 10 * turn + i}
            for turn, area in enumerate(("House", "Tunnel", "Frame", "Sales"))
            for i in (1, 2)
        ],
        "People": [{"Name": "Robin", "Minutes": 1800, "Overtime": 240}],
        **_stock(place),
        **_selling(place),
    }


def _stages(crop: str) -> list[Values]:
    common: Values = {
        "Crop": crop,
        "Protocol": "division",
        "Tray format": "72",
        "Overdispersion": 0.02,
    }
    return [
        {
            **common,
            "Position": 1,
            "Kind": "strike",
            "Area kind": "propagation house",
            "Clock": "days",
            "Amount": 14,
            "Survival": 0.92,
            "Minutes": 35,
        },
        {
            **common,
            "Position": 2,
            "Kind": "grow on",
            "Area kind": "growing house",
            "Clock": "warmth",
            "Amount": 170,
            "Base": 4,
            "Upper limit": 25,
            "Survival": 0.94,
            "Minutes": 8,
        },
        {
            **common,
            "Position": 3,
            "Kind": "harden off",
            "Area kind": "hardening frame",
            "Clock": "hardening",
            "Amount": 7,
            "Base": 0,
            "Upper limit": 26,
            "Survival": 0.97,
            "Minutes": 6,
        },
    ]


def _stock(place: Place) -> Rows:
    today = place.today
    counted = place.opening - timedelta(days=2)
    batch: Values = {
        "Protocol": "division",
        "Stage": 3,
        "Tray format": "72",
        "Origin": place.country,
        "Quarantine": "clear",
        "Started on": today - timedelta(days=100),
    }
    return {
        "Batches": [
            {
                **batch,
                "Code": "R-1",
                "Crop": CROPS[0],
                "Bench": "Sales 1",
                "Trays": 3,
                "Stage entered on": today - timedelta(days=20),
                "Ready on": today - timedelta(days=7),
            },
            {
                **batch,
                "Code": "G-1",
                "Crop": CROPS[1],
                "Bench": "Frame 1",
                "Trays": 4,
                "Stage entered on": today - timedelta(days=3),
                "Counted plugs": 240,
                "Counted at": counted,
                "Counter": "Robin",
            },
        ],
        "Lots": [
            {
                "Batch": "R-1",
                "Grade": "A",
                "Ready on": today - timedelta(days=7),
                "Last sale on": today + timedelta(days=20),
                "Counted plugs": 200,
                "Counted at": counted,
                "Counter": "Robin",
            }
        ],
    }


def _selling(place: Place) -> Rows:
    region, prefix = place.far
    zones = (("Near", place.region, ""), ("Far", region, prefix))
    shares = {"Near": (98.5, 1.5), "Far": (40.0, 59.0, 1.0)}
    return {
        "Wraps": [{"Name": "moss and paper"}],
        "Products": [
            {
                "Code": f"{name[:3].upper()}-6",
                "Name": f"{name}, 6 plugs",
                "Crop": name,
                "Plugs": 6,
                "Wrap": "moss and paper",
                "Frost limit": -6,
            }
            for name in CROPS
        ],
        "Services": [{"Name": "Van", "Cut-off": time(12), "Cut-off days": 1, "Price": 800}],
        "Zones": [
            {"Name": name, "Country": place.country, "Holiday region": holiday, "Station": "Home"}
            for name, holiday, _ in zones
        ],
        "Zone prefixes": [
            {"Zone": name, "Country": place.country, "Prefix": start} for name, _, start in zones
        ],
        "Transit": [
            {"Service": "Van", "Zone": name, "Delivery days": day, "Share": share}
            for name, each in shares.items()
            for day, share in enumerate(each, start=1)
        ],
        "Demand": [
            {
                "Crop": name,
                "Week": f"{when.isocalendar().year}-W{when.isocalendar().week:02d}",
                "Kind": "expected sales",
                "Plugs": 40,
            }
            for name in CROPS
            for when in (place.today + timedelta(weeks=i) for i in range(12))
        ],
        "Orders": [
            {
                "Reference": f"B-{i}",
                "Placed at": place.opening - timedelta(days=3),
                "Country": place.country,
                "Postcode": place.near_postcode,
                # those of the crop that still grows are wanted once it is ready
                "Not before": place.today + timedelta(weeks=6) if i % 2 else None,
            }
            for i in range(6)
        ],
        "Order lines": [
            {"Order": f"B-{i}", "Product": f"{CROPS[i % 2][:3].upper()}-6", "Quantity": 1 + i % 3}
            for i in range(6)
        ],
    }


def seattle() -> Rows:
    """Four years of daily minima and maxima, °C, and their monthly means."""
    frame = local_data.seattle_weather()
    return {
        "Weather": [
            {"Station": "Home", "Day": day.date(), "Minimum": float(low), "Maximum": float(high)}
            for day, low, high in zip(frame.date, frame.temp_min, frame.temp_max, strict=True)
        ],
        "Normals": _normals(frame.date.dt.month, frame.temp_min, frame.temp_max),
    }


def _normals(month: pd.Series, low: pd.Series, high: pd.Series) -> list[Values]:
    by_month = pd.DataFrame({"low": low, "high": high}).groupby(month)
    mean, spread = by_month.mean(), by_month.std()
    return [
        {
            "Station": "Home",
            "Month": int(at),
            "Minimum": float(mean.low[at]),
            "Maximum": float(mean.high[at]),
            "Minimum deviation": float(spread.low[at]),
            "Maximum deviation": float(spread.high[at]),
        }
        for at in range(1, 13)
    ]


def mild_normals() -> Rows:
    """Twelve normals of a mild coast, from memory."""
    return {
        "Normals": [
            {"Station": "Home", "Month": i + 1, "Minimum": low, "Maximum": high}
            for i, (low, high) in enumerate(zip(MILD_MIN, MILD_MAX, strict=True))
        ]
    }


def load_rows(db: Database, path: Path, rows: Rows, opening: datetime) -> None:
    """Loads the site first and sets its clock, then the whole workbook, as a user would."""
    start = {name: rows[name] for name in ("Stations", "Site")}
    write_workbook(path.with_name("first.xlsx"), start)
    assert load(db, path.with_name("first.xlsx")).taken
    with db.writing() as session:
        ahead = opening.astimezone(UTC) - now(session)
        site(session).clock_shift_seconds += round(ahead.total_seconds())
    write_workbook(path, rows)
    report = load(db, path)
    assert report.taken, report.lines()
