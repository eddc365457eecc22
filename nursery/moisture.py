"""How long do the plants stay moist in their wrap, and which wrap is the cheapest that lasts?

Water held by the wrap falls by `conductance * (e_s(T) - e_a)` grams an hour, temperatures in °C and
vapour pressures in kPa; the plants take their own share. FAO-56 is Allen, Pereira, Raes & Smith
(1998), FAO Irrigation and Drainage Paper 56.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist, stdev

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nursery.errors import Fault

Floats = NDArray[np.float64]


def saturation_vapour_pressure(t_c: ArrayLike) -> Floats:
    """What is the vapour pressure of saturated air at this temperature? kPa, shape of the input.

    FAO-56 equation 11: 0.6108 exp(17.27 T / (T + 237.3)).
    """
    t = np.asarray(t_c, dtype=float)
    return np.asarray(0.6108 * np.exp(17.27 * t / (t + 237.3)))


def actual_vapour_pressure(t_min: ArrayLike) -> Floats:
    """What is the vapour pressure of the air, if only the day's minimum is known? kPa.

    FAO-56 equation 48: the air is saturated at the night's minimum, so e_a = e_s(Tmin). In dry
    regions take 2 °C off the minimum.
    """
    return saturation_vapour_pressure(t_min)


def vapour_pressure_deficit(
    t_c: ArrayLike, t_min: ArrayLike | None = None, e_a: ArrayLike | None = None
) -> Floats:
    """How much more vapour could the air hold? kPa, never below 0.

    The air's own pressure is `e_a` where it is known, else that of saturation at the day's minimum
    `t_min`.
    """
    if e_a is None:
        if t_min is None:
            rule = "needs the day's minimum or the air's vapour pressure"
            raise Fault("Vapour pressure deficit", rule, None, "give t_min or e_a")
        e_a = actual_vapour_pressure(t_min)
    return np.asarray(np.maximum(saturation_vapour_pressure(t_c) - np.asarray(e_a, float), 0.0))


def hourly(t_min: ArrayLike, t_max: ArrayLike) -> Floats:
    """Which 24 temperatures has each day? Array [days x 24], °C.

    A cosine between the day's minimum at 5:00 and its maximum at 17:00: within the warmth of a
    single sine (common practice for want of hourly data, no source).
    """
    low, high = np.atleast_1d(np.asarray(t_min, float)), np.atleast_1d(np.asarray(t_max, float))
    if low.shape != high.shape or np.any(low > high):
        rule = "one minimum and maximum a day, the minimum not above the maximum"
        raise Fault("Temperatures", rule, (low.tolist(), high.tolist()), "correct them")
    wave = np.cos(2 * np.pi * (np.arange(24) + 0.5 - 17) / 24)
    return np.asarray(((low + high) / 2)[:, None] + ((high - low) / 2)[:, None] * wave).ravel()


@dataclass(frozen=True, slots=True)
class Wrap:
    """What is a wrap like? `conductance` in g/(h kPa), water in g per parcel, cost in cents.

    `water_full` is held when it leaves the bench, `water_least` is where the plants start to
    suffer, `plants_take` what they drink an hour.
    """

    name: str
    conductance: float
    water_full: float
    water_least: float
    cost_cents: int
    plants_take: float = 0.0

    def __post_init__(self) -> None:
        if self.conductance < 0 or self.plants_take < 0:
            found = (self.conductance, self.plants_take)
            raise Fault(f"Wrap {self.name!r}", "must lose >= 0 water", found, "weigh it again")
        if not 0 <= self.water_least <= self.water_full:
            found = (self.water_least, self.water_full)
            rule = "least water must be from 0 to the full amount"
            raise Fault(f"Wrap {self.name!r}", rule, found, "correct the weights")


def conductance(
    grams_before: float,
    grams_after: float,
    hours: float,
    deficit_kpa: float,
    plants_take: float = 0.0,
) -> float:
    """How fast does a wrap dry? g/(h kPa), from two weighings of a trial parcel.

    `deficit_kpa` is the mean vapour pressure deficit between the weighings; `plants_take` (g/h)
    is what the plants drank themselves. Raises Fault when the weighings cannot be.
    """
    if hours <= 0 or deficit_kpa <= 0:
        rule = "needs some hours in air that is not saturated"
        raise Fault("Trial parcel", rule, (hours, deficit_kpa), "weigh it again after longer")
    lost = grams_before - grams_after - plants_take * hours
    if lost < 0:
        rule = "cannot have gained water"
        raise Fault("Trial parcel", rule, (grams_before, grams_after), "check which came first")
    return lost / (hours * deficit_kpa)


@dataclass(frozen=True, slots=True)
class Trial:
    """Two weighings of a trial parcel: grams, hours between, mean deficit of its air (kPa).

    `plants_take` is what the plants drank themselves, g/h.
    """

    grams_before: float
    grams_after: float
    hours: float
    deficit_kpa: float
    plants_take: float = 0.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """How fast a wrap dries by its trials: `mean` and a `safe` conductance, g/(h kPa).

    `spread` is the standard deviation of single trials, None with fewer than two.
    """

    mean: float
    safe: float
    spread: float | None
    trials: int


def calibrate(trials: Iterable[Trial], quantile: float) -> Calibration:
    """How fast does a wrap dry, by all its trials, and in all but few parcels?

    The mean is all water lost over all hours times deficits, so that a long trial weighs more. The
    safe one is that of the `quantile` of parcels, if they spread about the mean as the trials do
    (normal); one trial shows no spread. Raises Fault without trials, or for weighings that cannot
    be.
    """
    each = list(trials)
    if not each:
        raise Fault("Trial parcel", "needs two weighings at least", None, "weigh a trial parcel")
    single = [
        conductance(t.grams_before, t.grams_after, t.hours, t.deficit_kpa, t.plants_take)
        for t in each
    ]
    weights = [t.hours * t.deficit_kpa for t in each]
    mean = sum(one * w for one, w in zip(single, weights, strict=True)) / sum(weights)
    spread = stdev(single) if len(single) > 1 else None
    safe = mean + max(0.0, NormalDist().inv_cdf(quantile)) * (spread or 0.0)
    return Calibration(mean, safe, spread, len(each))


def water_left(wrap: Wrap, deficit_kpa: ArrayLike, step_hours: float = 1.0) -> Floats:
    """How much water does the wrap still hold after each step? g, [steps + 1], from full down to 0.

    `deficit_kpa` is the vapour pressure deficit of each step.
    """
    per_hour = wrap.conductance * np.atleast_1d(np.asarray(deficit_kpa, float)) + wrap.plants_take
    used = np.concatenate([[0.0], np.cumsum(per_hour * step_hours)])
    return np.asarray(np.maximum(wrap.water_full - used, 0.0))


def moist_life(wrap: Wrap, deficit_kpa: ArrayLike, step_hours: float = 1.0) -> float:
    """How many hours until the wrap is at its least water? Infinite if it is not within the series.

    `deficit_kpa` is the vapour pressure deficit of each step from packing on (see `hourly` and
    `vapour_pressure_deficit`); within a step water falls evenly.
    """
    per_hour = wrap.conductance * np.atleast_1d(np.asarray(deficit_kpa, float)) + wrap.plants_take
    used = np.concatenate([[0.0], np.cumsum(per_hour * step_hours)])
    spare = wrap.water_full - wrap.water_least
    if spare <= 0:
        return 0.0
    end = int(np.searchsorted(used, spare, side="left"))
    if end == used.size:
        return float("inf")
    return float((end - 1 + (spare - used[end - 1]) / (used[end] - used[end - 1])) * step_hours)


@dataclass(frozen=True, slots=True)
class Box:
    """What the wrap stands in: only `share` of what it would lose in the open gets out of it."""

    name: str
    share: float
    cost_cents: int

    def __post_init__(self) -> None:
        if not 0 < self.share <= 1:
            rule = "lets a share above 0 and up to 1 of the vapour out"
            raise Fault(f"Box {self.name!r}", rule, self.share, "weigh it again")


@dataclass(frozen=True, slots=True)
class Packing:
    """A wrap, and a box where there is a choice of them, with the chance that it lasts."""

    wrap: Wrap
    box: Box | None
    cost_cents: int
    chance: float


def chance_moist(wrap: Wrap, deficit_kpa: ArrayLike, step_hours: float = 1.0) -> float:
    """In which share of weather years does the wrap hold its least water to the end? 0 to 1.

    `deficit_kpa` is the vapour pressure deficit of each step of the journey, [years, steps].
    """
    sums = np.atleast_2d(np.asarray(deficit_kpa, float)).sum(axis=1) * step_hours
    hours = np.atleast_2d(np.asarray(deficit_kpa, float)).shape[1] * step_hours
    used = wrap.conductance * sums + wrap.plants_take * hours
    return float(np.mean(wrap.water_full - used >= wrap.water_least - 1e-9))


def cheapest_packing(
    wraps: Sequence[Wrap],
    deficit_kpa: ArrayLike,
    chance: float,
    boxes: Sequence[Box] = (),
    step_hours: float = 1.0,
) -> Packing | None:
    """Which is the cheapest wrap, and box where there are any, that lasts with this chance?

    `deficit_kpa` is [years, steps], the whole journey. Of two at one price the surer is taken;
    None where none lasts.
    """
    found = []
    for wrap in wraps:
        for box in boxes or (None,):
            share, more = (1.0, 0) if box is None else (box.share, box.cost_cents)
            inside = replace(wrap, conductance=wrap.conductance * share)
            lasts = chance_moist(inside, deficit_kpa, step_hours)
            cost = wrap.cost_cents + more
            if lasts >= chance - 1e-9:
                found.append(Packing(wrap, box, cost, lasts))
    return min(found, key=lambda one: (one.cost_cents, -one.chance), default=None)


def cheapest_wrap(
    wraps: Sequence[Wrap], deficit_kpa: ArrayLike, hours: float, step_hours: float = 1.0
) -> Wrap | None:
    """Which is the cheapest wrap that stays moist for so many hours? None if none does.

    The series must cover the hours; of two at one price the one with more life is taken.
    """
    steps = np.atleast_1d(np.asarray(deficit_kpa, float)).size
    if steps * step_hours < hours:
        rule = f"temperatures are needed for all {hours:g} hours"
        raise Fault("Moist life", rule, steps * step_hours, "give more days")
    lives = [(wrap, moist_life(wrap, deficit_kpa, step_hours)) for wrap in wraps]
    lasting = [(wrap, life) for wrap, life in lives if life >= hours]
    best = min(lasting, key=lambda pair: (pair[0].cost_cents, -pair[1]), default=None)
    return best[0] if best else None
