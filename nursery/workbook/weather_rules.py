"""Do days of weather in a file look as if they were in °F, beside what is usual there?"""

from __future__ import annotations

from collections import defaultdict
from datetime import date

from nursery.weather_in.units import looks_like_the_other
from nursery.workbook.draft import Draft, Record


def usual_for_the_month(draft: Draft) -> None:
    """A station's days that fit its normals far better as °F are refused together.

    Winter days in °F are too cool for `in_celsius` to see: 41 °F is 5 °C, and no January has 41 °C.
    """
    usual = _usual(draft)
    for sheet in ("Weather", "Forecasts"):
        stations: dict[object, list[tuple[Record, float, float]]] = defaultdict(list)
        for record in draft.of(sheet):
            day, low, high = (record.values.get(name) for name in ("Day", "Minimum", "Maximum"))
            new = record.stored is None or bool(record.changes())
            if new and not record.bad and isinstance(day, date):
                normal = usual.get((record.values.get("Station"), day.month))
                if normal is not None and isinstance(low, float) and isinstance(high, float):
                    stations[record.values.get("Station")].append(
                        (record, (low + high) / 2, normal)
                    )
        for station, days in stations.items():
            if looks_like_the_other([each[1:] for each in days]):
                _blame(draft, str(station), days)


def _usual(draft: Draft) -> dict[tuple[object, int], float]:
    """The mean of minimum and maximum in a month at a station, °C, as they would stand."""
    found: dict[tuple[object, int], float] = {}
    for values, record in draft.whole("Normals").values():
        month, low, high = (values.get(name) for name in ("Month", "Minimum", "Maximum"))
        sound = record is None or not record.bad
        if sound and isinstance(month, int) and isinstance(low, float) and isinstance(high, float):
            found[values.get("Station"), month] = (low + high) / 2
    return found


def _blame(draft: Draft, station: str, days: list[tuple[Record, float, float]]) -> None:
    worst, mean, normal = max(days, key=lambda each: abs(each[1] - each[2]))
    rule = (
        f"looks like °F in {len(days)} rows of station {station!r}: a mean of {mean:.0f} where"
        f" {normal:.0f} °C is usual"
    )
    draft.blame(worst, "Maximum", rule, "give °C")
    for record, _, _ in days:
        record.because = record.because or "its station's series looks like °F"
        record.bad = True
