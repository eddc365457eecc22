"""The sheets of weather that comes in: sources of forecasts, stations on the way, days by hand."""

from datetime import date, datetime
from functools import partial

from nursery.weather import ForecastSource, HoldDecision, WayStation
from nursery.workbook.sheet import Reference, Sheet, column, naming

_station = naming("Station", "Home", help="as in Stations")
_at_station = Reference("station_id", "Stations", ("Station",))

_c = partial(column, ForecastSource)
FORECAST_SOURCES = Sheet(
    "Forecast sources",
    ForecastSource,
    ("Station",),
    (
        _station,
        _c("Address", "address", "https://weather.example/days?place=17&key={key}",
           help="{key} stands for NURSERY_FORECAST_KEY; file:///... reads a file"),
        _c("Days at", "days_at", "forecast.days",
           help="dotted path to a list, one object a day, or to an object of parallel lists"),
        _c("Day", "day_field", "date", help="path of the day from there"),
        _c("Lowest", "min_field", "temperature.low", help="path of the day's minimum"),
        _c("Highest", "max_field", "temperature.high", help="path of the day's maximum"),
        _c("Issued at", "issued_at", "forecast.issued",
           help="path from the top of the answer; blank: when it is fetched"),
        _c("Unit", "unit", "°C"),
        _c("Time zone", "time_zone", "", help="of moments without one; blank: the site's"),
    ),
    (_at_station,),
    help="Where each station's forecast is fetched, and which field of the answer (JSON) is what.",
)  # fmt: skip
WAY_STATIONS = Sheet(
    "On the way",
    WayStation,
    ("Zone", "Station"),
    (naming("Zone", "Low land", help="as in Zones"), _station),
    (Reference("zone_id", "Zones", ("Zone",)), _at_station),
    help="Stations whose weather parcels meet on the way to a zone, such as a depot's.",
)
_c = partial(column, HoldDecision)
HOLD_DECISIONS = Sheet(
    "Days by hand",
    HoldDecision,
    ("Which", "First day", "Decided at"),
    (
        _c("Which", "place", "Low land", help="zone or holiday region; blank: everywhere"),
        _c("First day", "first_day", date(2027, 7, 1), help="first ship day"),
        _c("Last day", "last_day", date(2027, 7, 2), help="included"),
        _c("Open", "opens", True, help="yes: no hold by the weather; no: nothing leaves"),
        _c("Decided by", "decided_by", "Lea"),
        _c("Reason", "reason", "cooled van"),
        _c("Decided at", "decided_at", datetime(2027, 6, 29, 8, 0)),
        _c("Withdrawn at", "withdrawn_at", None, help="blank: it stands"),
    ),
    help="Ship days that a person opened or closed, whatever forecast and climate say.",
)
