"""Who has ordered what from the invented nursery, and what is expected to sell? From a seed."""

from datetime import date, datetime, timedelta

import numpy as np

from nursery.weeks import Week
from nursery.workbook.sheet import Values
from seed_demo.nursery_data import OPENING, TODAY, ZONES
from seed_demo.plants import PLANTS
from seed_demo.sheets import Rows, product_code, sizes

ORDERS = 400
WEEKS = 26
"""Weeks of expected sales, from this one on."""
_LINES = (0.44, 0.30, 0.17, 0.09)
"""Shares of baskets with 1, 2, 3 and 4 lines."""
_SEASON = ((15, 0.15), (23, 0.55), (27, 0.65), (33, 0.45), (53, 0.85))
"""Up to which week number, and which share of a crop's weekly plugs is expected to sell."""


def order_sheets(rng: np.random.Generator) -> Rows:
    """The open orders with their lines, none of them promised yet."""
    rows: Rows = {"Orders": [], "Order lines": []}
    share = np.array([plant.plugs_a_week for plant in PLANTS], dtype=float)
    share /= share.sum()
    moments = sorted(rng.uniform(0.1, 56.0, ORDERS), reverse=True)
    for number, days_ago in enumerate(moments, start=1):
        order = _order(rng, f"D-{20000 + number}", float(days_ago))
        rows["Orders"].append(order)
        lines = 1 + int(rng.choice(4, p=_LINES))
        for index in rng.choice(len(PLANTS), lines, replace=False, p=share):
            plugs = _size(rng, sizes(PLANTS[index]))
            rows["Order lines"].append(
                {
                    "Order": order["Reference"],
                    "Product": product_code(PLANTS[index], plugs),
                    "Quantity": 1 + int(rng.random() < 0.08),
                }
            )
    return rows


def demand_sheet(rng: np.random.Generator) -> Rows:
    """Plugs of each crop that are expected to sell in each week, beyond the open orders."""
    first = Week.of(TODAY)
    return {
        "Demand": [
            {
                "Crop": plant.name,
                "Week": str(first + i),
                "Kind": "expected sales",
                "Plugs": int(
                    plant.plugs_a_week * _season((first + i).number) * rng.uniform(0.6, 1.4)
                ),
            }
            for plant in PLANTS
            for i in range(WEEKS)
        ]
    }


def _size(rng: np.random.Generator, plugs: tuple[int, ...]) -> int:
    """The smaller size mostly."""
    return plugs[-1] if rng.random() < 0.3 else plugs[0]


def _season(week_number: int) -> float:
    return next(share for last, share in _SEASON if week_number <= last)


def _order(rng: np.random.Generator, reference: str, days_ago: float) -> Values:
    zone = ZONES[int(rng.choice(len(ZONES), p=[each.share for each in ZONES]))]
    placed = (OPENING - timedelta(days=days_ago)).replace(second=0, microsecond=0, tzinfo=None)
    not_before, not_after = _window(rng, placed)
    return {
        "Reference": reference,
        "Placed at": placed,
        "Country": zone.country,
        "Postcode": str(rng.choice(zone.postcodes)),
        "Not before": not_before,
        "Not after": not_after,
        "May split": bool(rng.random() < 0.15),
        "May substitute": bool(rng.random() < 0.3),
        "Weight": int(rng.choice([1, 2, 3], p=[0.85, 0.1, 0.05])),
    }


def _window(rng: np.random.Generator, placed: datetime) -> tuple[date | None, date | None]:
    """When may it arrive? A chosen week, a gift date (two days), at the latest, or any day."""
    kind = rng.random()
    monday = Week.of(TODAY).monday() + timedelta(weeks=int(rng.integers(1, 9)))
    if kind < 0.30:
        return monday + timedelta(days=1), monday + timedelta(days=11)
    if kind < 0.34:
        gift = monday + timedelta(days=int(rng.integers(3, 5)))
        return gift - timedelta(days=1), gift
    if kind < 0.5:
        return None, max(placed.date() + timedelta(days=60), TODAY + timedelta(days=21))
    return None, None
