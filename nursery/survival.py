"""How many of the plugs that are left will live? The few numbers that growth and plans ask for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import betabinom, binom


@dataclass(frozen=True, slots=True)
class Survival:
    """Mean share that lives, and rho (overdispersion: trays of a batch live and die together)."""

    mean: float
    overdispersion: float


def chain(stages: Sequence[Survival]) -> Survival:
    """What is the survival of stages one after another? Matched on the first two moments."""
    mean, square = 1.0, 1.0
    for one in stages:
        mean *= one.mean
        square *= one.mean**2 + one.overdispersion * one.mean * (1 - one.mean)
    spread = mean * (1 - mean)
    rho = max(0.0, (square - mean**2) / spread) if spread > 1e-12 else 0.0
    return Survival(mean, min(rho, 0.999))


def safe_plugs(plugs: int, survival: Survival, service_level: float) -> int:
    """Which number of these plugs lives at least, with the chance `service_level`?"""
    if plugs <= 0 or survival.mean >= 1.0:
        return max(plugs, 0)
    if survival.overdispersion < 1e-9:
        return int(binom.ppf(1 - service_level, plugs, survival.mean))
    size = 1 / survival.overdispersion - 1
    dead = (1 - survival.mean) * size
    return int(betabinom.ppf(1 - service_level, plugs, survival.mean * size, dead))
