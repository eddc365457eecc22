"""Every sheet of the workbook, in the order in which rows refer back to one another."""

from nursery.workbook import forecast_sheets as forecasts
from nursery.workbook import growing_sheets as growing
from nursery.workbook import records_sheets as records
from nursery.workbook import selling_sheets as selling
from nursery.workbook import weather_sheets as weather
from nursery.workbook.sheet import Sheet

SHEETS: tuple[Sheet, ...] = (
    growing.STATIONS,
    growing.SITE,
    growing.NORMALS,
    growing.WEATHER,
    growing.FORECASTS,
    forecasts.FORECAST_SOURCES,
    growing.TRAYS,
    growing.CROPS,
    growing.MOTHER_BLOCKS,
    growing.MOTHER_PAUSES,
    growing.PROTOCOLS,
    growing.STAGES,
    growing.AREAS,
    growing.BENCHES,
    weather.SHADE,
    weather.SHADE_CALENDAR,
    growing.PEOPLE,
    growing.ABSENCES,
    growing.RECURRING,
    growing.STAND_APART,
    growing.SEED_LOTS,
    growing.BATCHES,
    growing.LOTS,
    growing.VETOES,
    records.PASSAGES,
    records.FLUSHES,
    records.TASKS,
    selling.WRAPS,
    weather.WRAP_TRIALS,
    weather.PACKS,
    weather.BOXES,
    selling.MATERIALS,
    selling.PRODUCTS,
    selling.SUBSTITUTES,
    weather.CARE_CARDS,
    selling.SERVICES,
    selling.ZONES,
    selling.ZONE_PREFIXES,
    forecasts.WAY_STATIONS,
    forecasts.HOLD_DECISIONS,
    selling.TRANSIT,
    selling.POSTAGE,
    selling.CLOSURES,
    selling.DEMAND,
    selling.ORDERS,
    selling.ORDER_LINES,
)

BY_NAME: dict[str, Sheet] = {sheet.name: sheet for sheet in SHEETS}
