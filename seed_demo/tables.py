"""The whole workbook of the invented nursery, from one seed."""

import numpy as np

from seed_demo.orders import demand_sheet, order_sheets
from seed_demo.sheets import Rows, growing_sheets, selling_sheets, site_sheets, weather_sheets
from seed_demo.stock import stock_sheets
from seed_demo.weather import forecasts, observed


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
