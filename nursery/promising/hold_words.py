"""How is a heat hold or a frost hold told? From what it comes, the day, and how likely it is."""

from __future__ import annotations

from datetime import date, timedelta

from nursery.promising.basket import Limits
from nursery.promising.holds import Holding, Outlook
from nursery.promising.lanes import Lane


def told_of_hold(
    outlook: Outlook,
    lane: Lane,
    limits: Limits,
    holding: Holding,
    risk: float,
    first: date,
    last: date,
    hot: bool,
) -> str:
    """Why is a way from `first` to `last` too hot (or too cold)? One sentence.

    The forecast of the worst day where that is the reason, else the chance by the climate, with
    why there is no forecast; and the chance beside the `risk` that the nursery takes.
    """
    days = [first + timedelta(days=i) for i in range((last - first).days + 1)]
    warmer = lane.warmer_c if hot else 0.0
    worst = outlook.worst(lane.stations, limits, days, hot, warmer)
    assert worst is not None, "a hold without a station"
    if worst.forecast_c is not None:
        said = _forecast(worst.forecast_c, worst.station.name, worst.day, limits, warmer, hot)
        said = f"{said}: {holding.chance:.1%} chance of that on the way"
    else:
        limit = f"{limits.heat_c:g} °C or more" if hot else f"{limits.frost_c:g} °C or less"
        source = f"{worst.station.known_from(worst.day)}{_vans(warmer)}"
        said = f"{holding.chance:.1%} chance of {limit} from {first} to {last} by {source}"
    return f"{said}, {risk:.1%} is risked"


def told_of_cautions(
    outlook: Outlook,
    stations: frozenset[int],
    warmer_c: float,
    limits: Limits,
    first: date,
    last: date,
) -> list[tuple[str, str]]:
    """Which forecasts from `first` to `last` lie within the caution band of a limit, or over it?

    The hottest as ("heat", sentence), the coldest as ("frost", sentence). Shown on a way that is
    open: nothing is held by it.
    """
    days = [first + timedelta(days=i) for i in range((last - first).days + 1)]
    said = [(day, *each) for day in days for each in outlook.said(stations, day)]
    if not said:
        return []
    found = []
    day, name, _, high = max(said, key=lambda each: each[3])
    if high + warmer_c >= limits.heat_c - limits.caution_c:
        found.append(("heat", _forecast(high, name, day, limits, warmer_c, hot=True)))
    day, name, low, _ = min(said, key=lambda each: each[2])
    if low <= limits.frost_c + limits.caution_c:
        found.append(("frost", _forecast(low, name, day, limits, 0.0, hot=False)))
    return [(code, f"caution, {text}") for code, text in found]


def _forecast(
    forecast_c: float, station: str, day: date, limits: Limits, warmer: float, hot: bool
) -> str:
    stand = f"less than {limits.heat_c:g} °C" if hot else f"more than {limits.frost_c:g} °C"
    at = f"{forecast_c:g} °C forecast at {station} on {day}{_vans(warmer)}"
    return f"{at}, its plants stand {stand}"


def _vans(warmer: float) -> str:
    return f" (vehicles {warmer:g} °C warmer)" if warmer else ""
