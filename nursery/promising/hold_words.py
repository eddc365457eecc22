"""How is a heat hold or a frost hold told? From what it comes, the day, and how likely it is."""

from __future__ import annotations

from datetime import date, timedelta

from nursery.promising.basket import Limits
from nursery.promising.holds import Holding, Outlook, Worst
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
        return _forecast(worst, limits, holding, risk, hot, warmer)
    limit = f"{limits.heat_c:g} °C or more" if hot else f"{limits.frost_c:g} °C or less"
    source = worst.station.known_from(worst.day)
    return (
        f"{holding.chance:.1%} chance of {limit} from {first} to {last} by {source}{_vans(warmer)}"
    )


def _forecast(
    worst: Worst, limits: Limits, holding: Holding, risk: float, hot: bool, warmer: float
) -> str:
    at = f"{worst.forecast_c:g} °C forecast at {worst.station.name} on {worst.day}{_vans(warmer)}"
    stand = f"less than {limits.heat_c:g} °C" if hot else f"more than {limits.frost_c:g} °C"
    said = f"{at}, its plants stand {stand}"
    if holding.clear:
        return said
    if holding.chance > risk:
        found = f"{holding.chance:.1%} chance of that on the way"
    else:
        found = f"{holding.careful:.1%} chance of coming within {limits.caution_c:g} °C of that"
    return f"{said}: {found}, {risk:.1%} is risked"


def _vans(warmer: float) -> str:
    return f" (vehicles {warmer:g} °C warmer)" if warmer else ""
