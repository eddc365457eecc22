"""The whole workbook of the invented nursery, from one seed."""

from typing import Any

import numpy as np

from seed_demo.nursery_data import HOME, OPENING
from seed_demo.orders import demand_sheet, order_sheets
from seed_demo.sheets import Rows, growing_sheets, selling_sheets, site_sheets, weather_sheets
from seed_demo.stock import stock_sheets
from seed_demo.weather import forecasts, observed


def forecast_answer(seed: int = 1) -> dict[str, Any]:
    """What would a forecast service answer of the home station this morning? As JSON.

    The days that are in the workbook already.
    """
    weather = np.random.default_rng(seed).spawn(4)[0]
    observed(weather)
    days = [day for day in forecasts(weather) if day.station == HOME]
    return {
        "forecast": {
            "issued": OPENING.replace(hour=6).isoformat(),
            "days": [
                {
                    "date": day.day.isoformat(),
                    "temperature": {"low": day.min_c, "high": day.max_c},
                }
                for day in days
            ],
        }
    }


def tables(seed: int = 1) -> Rows:
    """Which rows does the demo's workbook hold, sheet by sheet? The same for the same seed."""
    weather, stock, orders, demand = np.random.default_rng(seed).spawn(4)
    return {
        **site_sheets(),
        **weather_sheets(observed(weather), forecasts(weather)),
        **growing_sheets(),
        **stock_sheets(stock),
        **selling_sheets(),
        **demand_sheet(demand),
        **order_sheets(orders),
    }
