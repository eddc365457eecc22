"""Are these temperatures in the unit that was declared? If not, the question to ask."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nursery.climate import Dates, Floats, Normals, daily_normals
from nursery.weather import Degrees

_ODD_C = 12.0
"""So far from what is usual, on the mean of all days, nobody believes it without asking (an
estimate: the mean of several days is rarely 10 °C off, in a heat wave too)."""


def celsius(value: float, unit: Degrees) -> float:
    """How much is this in °C?"""
    return (value - 32) / 1.8 if unit is Degrees.FAHRENHEIT else value


def looks_like_the_other(days: Sequence[tuple[float, float]]) -> bool:
    """Are these means of days (as given, usual), taken for °C, rather in °F?"""
    off = abs(float(np.mean([given - usual for given, usual in days])))
    other = abs(float(np.mean([(given - 32) / 1.8 - usual for given, usual in days])))
    return off > _ODD_C and other <= off / 2


def unit_question(
    days: Dates, t_min: Floats, t_max: Floats, normals: Normals | None, unit: Degrees
) -> str | None:
    """Do these days (°C, as declared in `unit`) look as if they were in the other one?

    The question, or None where they are believable, or nothing is known of the station. It is
    asked only where the other unit fits the station's normals at least twice as well.
    """
    if normals is None or not days.size:
        return None
    usual = daily_normals(normals, days)
    given, normal = (t_min + t_max) / 2, (usual.t_min + usual.t_max) / 2
    told = given * 1.8 + 32 if unit is Degrees.FAHRENHEIT else given  # as it was written
    other = told if unit is Degrees.FAHRENHEIT else (told - 32) / 1.8
    off, other_off = abs(np.mean(given - normal)), abs(np.mean(other - normal))
    if off <= _ODD_C or other_off > off / 2:
        return None
    at = int(np.argmax(np.abs(given - normal)))
    written = t_max[at] * 1.8 + 32 if unit is Degrees.FAHRENHEIT else t_max[at]
    meant = "Celsius" if unit is Degrees.FAHRENHEIT else "Fahrenheit"
    return (
        f"{days[at]} maximum {written:.4g}: degrees {meant}? (given as {unit.value}; "
        f"usual there then is {usual.t_max[at]:.0f} °C)"
    )
