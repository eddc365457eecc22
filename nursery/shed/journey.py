"""How dry is the air on a parcel's way, hour by hour, in every weather year?

A fresh forecast where there is one, else the climate of the stations at both ends: hour by hour the
drier of them. Vehicles are warmer than the air outside by what the nursery measured; the vapour in
the air is that of the night outside (FAO-56 equation 48), since nobody measures it in a van.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import numpy as np
from sqlmodel import Session

from nursery.climate import Floats
from nursery.growing.air import station_outlook
from nursery.moisture import hourly, vapour_pressure_deficit
from nursery.promising.packs import OPENED_AT, PACKED_AT


def journey_deficits(
    session: Session,
    stations: Iterable[int],
    pack_on: date,
    arrives_until: date,
    warmer_c: float = 0.0,
) -> Floats | None:
    """What is the vapour pressure deficit, kPa, of each hour from packing to unwrapping?

    [weather years, hours]; None where none of the stations has any weather.
    """
    days = (arrives_until - pack_on).days + 1
    found: list[Floats] = []
    for station in sorted(set(stations)):
        air = station_outlook(session, station, pack_on, days)
        if air is not None:
            found.append(_deficits(air.t_min, air.t_max, warmer_c))
    if not found:
        return None
    years = max(len(each) for each in found)
    # Stations with fewer weather years (observed ones) are gone round again.
    whole = [each[np.arange(years) % len(each)] for each in found]
    return np.asarray(np.max(whole, axis=0)[:, PACKED_AT : 24 * (days - 1) + OPENED_AT])


def _deficits(t_min: Floats, t_max: Floats, warmer_c: float) -> Floats:
    years, days = t_min.shape
    air = hourly(t_min.ravel() + warmer_c, t_max.ravel() + warmer_c).reshape(years, days * 24)
    return vapour_pressure_deficit(air, t_min=np.repeat(t_min, 24, axis=1))
