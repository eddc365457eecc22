"""When might growing plugs be ready, and how many of them, draw by draw?

What is safe of a batch says nothing of the days before and after it. A draw takes one weather year
for the whole nursery, so that all batches are early or late together, and for each batch its own
luck: survival is beta-binomial, and batches live and die independently. A promise counts in how
many draws its plugs are there (`promising.chances`).

Few weather years know little of the next one. The ready day of a draw is therefore its year's,
moved by a kernel about it; the spread is kept and widened by 1 + 1/years, as that of a new value
about a mean of so many (smoothed bootstrap with the variance corrected: Silverman 1986, 6.4).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import special

from nursery.batch import Quarantine
from nursery.climate import Floats
from nursery.clocks import NEVER, Whole
from nursery.growing.air import Air
from nursery.growing.growth import LATE_AGAIN_DAYS, Growing, Passage, flush_left, survival_left
from nursery.yields import Survival, log_chances

Sold: TypeAlias = tuple[int, bool]
"""A crop, and whether these plugs of it are sold as bought in."""

DRAWS = 256
"""Draws: a chance is told to about half a per cent."""
_SEED = 20_270_301


@dataclass(frozen=True, slots=True)
class Prospect:
    """What a batch gives in one week of its flush: days from today and plugs, one value a draw.

    `ready` is `NEVER` in draws in which it is not ready within the weather looked at. It may be
    sold on `life_days` days from then, the ready day counted.
    """

    ready: NDArray[np.int32]
    life_days: int
    plugs: NDArray[np.int32]


def prospects(
    today: date, walked: Sequence[tuple[Growing, Passage]], air: Air
) -> dict[Sold, list[Prospect]]:
    """What might these growing batches give that may be promised? By crop and way of sale.

    `today` is day 0. Of batches that are clear and under no veto, as `growth.expected_lots` says.
    """
    found: dict[Sold, list[Prospect]] = defaultdict(list)
    now_at = air.day(today)
    for one, way in walked:
        if one.vetoed or one.batch.quarantine is not Quarantine.CLEAR:
            continue
        book = one.batch.protocol.flush_shares
        shares = flush_left(book, one.plugs, one.made)
        ends = way.ends[-1] if len(way.ends) else np.array([way.entered])
        days = ready_days(ends - now_at)
        plugs = living(one.plugs, survival_left(one, way), one.batch.id or 0)
        waits = range(len(book) - len(shares), len(book))
        sold = one.batch.crop_id, one.batch.protocol.sold_as_bought_in
        found[sold] += flushes(days, plugs, waits, shares, 7 * one.batch.crop.life_weeks)
    return found


def ready_days(by_year: Whole) -> Whole:
    """On which day is it ready in each draw? From one value a weather year, days from today.

    Whole days, at their end: what the kernel makes of a day is rounded to the nearest.
    """
    years = by_year.size
    year, nudge = _years(years)
    told = np.where(by_year >= NEVER // 2, NEVER, by_year)
    known = told[told < NEVER]
    spread = float(known.std(ddof=1)) if known.size > 1 else 0.0
    days = told[year]
    if not spread:
        return days
    kernel = 0.9 * known.size**-0.2
    middle = float(known.mean())
    # About the mean: the kernel adds kernel^2 of the variance, the sample's own lacks 1/n of it.
    wide = np.sqrt((1 + 1 / known.size) / ((1 - 1 / known.size) + kernel**2))
    moved = middle + wide * (days - middle + kernel * spread * nudge)
    return np.where(days >= NEVER, NEVER, np.rint(moved).astype(np.int64))


def living(plugs: int, survival: Survival, seed: int) -> Whole:
    """How many of a batch's growing plugs live to ready in each draw? Beta-binomial."""
    below = np.cumsum(np.exp(log_chances(np.arange(plugs + 1), plugs, survival)))
    found = np.searchsorted(below, luck(seed))
    return np.minimum(found, plugs).astype(np.int64)


def flushes(
    first: Whole, plugs: Whole, waits: Iterable[int], shares: Sequence[float], life_days: int
) -> Iterator[Prospect]:
    """What does a batch give in the weeks of its flush that are left, draw by draw?

    `first` is the day of the flush's first week, `waits` counts the weeks to each that is left. A
    day that has passed without the plugs being set aside was no ready day: they are looked for
    from tomorrow on, a week later for each later part, within a week.
    """
    upto, before = np.cumsum(shares), np.zeros_like(plugs)
    for place, wait in enumerate(waits):
        by_then = plugs if place == len(upto) - 1 else (plugs * upto[place] + 1e-9).astype(np.int64)
        day = first + 7 * wait
        again = 7 * place + 1 + (luck(-1) * LATE_AGAIN_DAYS).astype(np.int64)
        ready = np.where(first >= NEVER // 2, NEVER, np.where(day > 0, day, again))
        yield Prospect(
            ready.astype(np.int32), life_days, np.asarray(by_then - before, dtype=np.int32)
        )
        before = by_then


@lru_cache(maxsize=4_096)
def luck(seed: int) -> Floats:
    """How well does something fare in each draw? Shares between 0 and 1, evenly spread, shuffled.

    The same for the same seed, and independent of that of any other.
    """
    rng = np.random.default_rng((_SEED, abs(seed), seed < 0))
    return _even(rng)


@lru_cache(maxsize=256)
def _years(years: int) -> tuple[NDArray[np.int64], Floats]:
    """Which weather year has each draw, and how far from it does it lie (normal scores)?"""
    rng = np.random.default_rng((_SEED, 0, 7))
    year = rng.permutation(np.arange(DRAWS) % years)
    return year, np.asarray(special.ndtri(_even(rng)))


def _even(rng: np.random.Generator) -> Floats:
    return np.asarray(rng.permutation((np.arange(DRAWS) + 0.5) / DRAWS))
