"""How many plugs of a batch live, and how many trays must be started to have enough?

Survival is beta-binomial: a mean and an overdispersion rho (intra-batch correlation,
1 / (a + b + 1)), because the trays of one batch live and die together. A plain binomial, or the
number wanted over the mean, starts too few.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from nursery.errors import Fault

Floats = NDArray[np.float64]
_MOST_PLUGS = 5_000_000
_NO_OVERDISPERSION = 1e-9  # below this rho the beta-binomial is the binomial to rounding


@dataclass(frozen=True, slots=True)
class Survival:
    """Which share of a batch lives, on average, and how alike do its plugs fare (rho, 0 to 1)?

    Raises Fault for a mean outside 0..1 (a loss typed as 15 for 0.15?) or rho outside 0..1.
    """

    mean: float
    overdispersion: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.mean <= 1:
            rule = "a share must be from 0 to 1"
            raise Fault("Survival", rule, self.mean, "is it in per cent? write 85 % as 0.85")
        if not 0 <= self.overdispersion < 1:
            rule = "overdispersion (rho) must be >= 0 and < 1"
            raise Fault("Survival", rule, self.overdispersion, "0.02 to 0.10 is common")

    @property
    def beta(self) -> tuple[float, float]:
        """Which a and b has the beta distribution? Only where rho is above 0."""
        size = 1 / self.overdispersion - 1
        return self.mean * size, (1 - self.mean) * size


def chain(stages: Sequence[Survival]) -> Survival:
    """Which share lives through all stages, one after the other?

    Stages are independent; the first two moments of the product of their shares are matched by
    one beta distribution. No stage at all: everything lives.
    """
    mean = math.prod(stage.mean for stage in stages)
    square = math.prod(
        stage.mean**2 + stage.mean * (1 - stage.mean) * stage.overdispersion for stage in stages
    )
    spread = mean * (1 - mean)
    rho = (square - mean**2) / spread if spread > 0 else 0.0
    return Survival(mean, min(max(rho, 0.0), 1 - 1e-12))


def log_chances(usable: ArrayLike, started: ArrayLike, survival: Survival) -> Floats:
    """How likely (natural logarithm) are just these usable plugs of those started? Any shape."""
    y, n, p = np.asarray(usable, dtype=float), np.asarray(started, dtype=float), survival.mean
    if survival.overdispersion < _NO_OVERDISPERSION or survival.mean in (0.0, 1.0):
        return np.asarray(_log_ways(y, n) + special.xlogy(y, p) + special.xlog1py(n - y, -p))
    a, b = survival.beta
    chosen = special.betaln(y + a, n - y + b) - special.betaln(a, b)
    return np.asarray(_log_ways(y, n) + chosen)


def _log_ways(y: Floats, n: Floats) -> Floats:
    """In how many ways (natural logarithm) are y chosen of n?"""
    return np.asarray(-np.log1p(n) - special.betaln(n - y + 1, y + 1))


def chance_of_enough(wanted: int, started: int, survival: Survival) -> float:
    """How likely are at least `wanted` usable plugs of `started` ones in one batch?"""
    if wanted <= 0:
        return 1.0
    if wanted > started:
        return 0.0
    if survival.overdispersion < _NO_OVERDISPERSION or survival.mean in (0.0, 1.0):
        return float(special.bdtrc(wanted - 1, started, survival.mean))
    if 2 * wanted > started:
        tail = np.exp(log_chances(np.arange(wanted, started + 1), started, survival)).sum()
        return float(min(tail, 1.0))
    below = np.exp(log_chances(np.arange(wanted), started, survival)).sum()
    return float(max(0.0, 1.0 - below))


def start_trays(
    wanted: int, cells: int, mean: float, overdispersion: float, service_level: float
) -> int:
    """How many trays must be started, so that enough plugs live with this chance?

    The smallest number with P(usable >= wanted) >= service_level, for one batch of trays with
    `cells` each; overdispersion is rho. Raises Fault for a level that no batch can reach.
    """
    survival = Survival(mean, overdispersion)
    _check_level(service_level)
    if cells < 1:
        raise Fault("Tray", "cells must be >= 1", cells, "correct the tray format")
    if wanted <= 0:
        return 0
    enough = max(1, -(-wanted // cells))
    while chance_of_enough(wanted, enough * cells, survival) < service_level:
        if enough * cells > _MOST_PLUGS or mean == 0:
            rule = f"no batch up to {_MOST_PLUGS} plugs gives {wanted} at that service level"
            raise Fault("Start quantity", rule, service_level, "lower it or mend the survival")
        enough *= 2
    too_few = enough // 2
    while enough - too_few > 1:
        middle = (enough + too_few) // 2
        if chance_of_enough(wanted, middle * cells, survival) >= service_level:
            enough = middle
        else:
            too_few = middle
    return enough


@dataclass(frozen=True, slots=True)
class StartQuantity:
    """How many trays to start, beside what plainer reckonings would have started?

    `by_mean` is wanted / mean, `by_binomial` ignores that a batch lives and dies together; the
    chances are those of enough plugs under the beta-binomial, for each of the three.
    """

    trays: int
    by_binomial: int
    by_mean: int
    chance: float
    chance_by_binomial: float
    chance_by_mean: float


def start_quantity(
    wanted: int, cells: int, survival: Survival, service_level: float
) -> StartQuantity:
    """How many trays must be started, and what would the plainer reckonings give?"""
    trays = start_trays(wanted, cells, survival.mean, survival.overdispersion, service_level)
    binomial = start_trays(wanted, cells, survival.mean, 0.0, service_level)
    # 2000 / (0.8 * 100) must not become 26 through a rounding error of the division
    naive = math.ceil(wanted / (survival.mean * cells) - 1e-9) if wanted > 0 else 0
    chances = [chance_of_enough(wanted, n * cells, survival) for n in (trays, binomial, naive)]
    return StartQuantity(trays, binomial, naive, *chances)


def safe_plugs(
    cells: int, trays: int, survival: Survival, service_level: float, batches: int = 1
) -> int:
    """How many usable plugs can be counted on from `batches` batches of `trays` trays each?

    The largest number that is reached with the service level, all batches together. Batches are
    independent, so several together give more than the sum of what each gives alone; their total
    is a beta-binomial of the same mean and variance.
    """
    _check_level(service_level)
    if cells < 0 or trays < 0 or batches < 1:
        found = (cells, trays, batches)
        raise Fault("Batch", "cells and trays must be >= 0, batches >= 1", found, "correct it")
    one, together = cells * trays, cells * trays * batches
    if together <= 1 or survival.mean in (0.0, 1.0):
        return int(together * survival.mean)
    rho = survival.overdispersion * (one - 1) / (together - 1)
    pooled = Survival(survival.mean, rho)
    low, high = 0, together
    while low < high:
        middle = (low + high + 1) // 2
        if chance_of_enough(middle, together, pooled) >= service_level:
            low = middle
        else:
            high = middle - 1
    return low


def safe_together(batches: Sequence[tuple[int, Survival]], service_level: float) -> int:
    """How many usable plugs can be counted on from independent batches, all together?

    Each batch is its plugs and the survival before it. Their total has the sum of the means and of
    the variances; the beta-binomial of the same two moments is asked for the largest number that
    is reached with the service level.
    """
    _check_level(service_level)
    plugs = sum(started for started, _ in batches)
    if plugs <= 1:
        return int(sum(started * survival.mean for started, survival in batches))
    mean = sum(n * s.mean for n, s in batches) / plugs
    variance = sum(
        n * s.mean * (1 - s.mean) * (1 + (n - 1) * s.overdispersion) for n, s in batches if n
    )
    plain = plugs * mean * (1 - mean)
    rho = (variance / plain - 1) / (plugs - 1) if plain > 0 else 0.0
    together = Survival(mean, min(max(rho, 0.0), 1 - 1e-12))
    return safe_plugs(plugs, 1, together, service_level)


def safe_plugs_a_tray(
    cells: int, trays: int, survival: Survival, service_level: float, batches: int = 1
) -> float:
    """How many usable plugs a tray can be counted on, in batches of this size? See `safe_plugs`."""
    if trays < 1:
        raise Fault("Batch", "a typical batch has at least one tray", trays, "give its trays")
    return safe_plugs(cells, trays, survival, service_level, batches) / (trays * batches)


def best_service_level(shortage_cost: float, surplus_cost: float) -> float:
    """Which service level pays best, if a plug too few costs this and a plug too many that?

    The newsvendor's critical ratio, shortage / (shortage + surplus); one unit for both.
    """
    if shortage_cost <= 0 or surplus_cost <= 0:
        rule = "both costs must be above 0"
        raise Fault("Service level", rule, (shortage_cost, surplus_cost), "give both in cents")
    return shortage_cost / (shortage_cost + surplus_cost)


@dataclass(frozen=True, slots=True)
class Refit:
    """What do book and batches say together? `used` is what to plan with, `yours` the batches'
    own best fit (None without batches), `book` the prior."""

    book: Survival
    yours: Survival | None
    used: Survival
    batches: int


def refit(
    usable: ArrayLike, started: ArrayLike, book: Survival, book_batches: float = 4.0
) -> Refit:
    """Which mean and rho do these batches show, with the book weighing so many batches?

    `usable` and `started` have one value a batch. Maximum beta-binomial likelihood across batches;
    the book enters as `book_batches` batches of the usual size that fared as it says. One batch's
    plugs are never taken as independent of each other. Raises Fault for impossible counts.
    """
    y, n = np.asarray(usable, dtype=np.int64), np.asarray(started, dtype=np.int64)
    if y.shape != n.shape or np.any(y < 0) or np.any(y > n) or np.any(n < 1):
        rule = "usable plugs must be from 0 to those started, one pair a batch"
        raise Fault("Counts", rule, (y.tolist(), n.tolist()), "correct the counts")
    if book_batches < 0:
        raise Fault("Book", "its weight in batches must be >= 0", book_batches, "use 0 or more")
    if y.size == 0:
        return Refit(book, None, book, 0)
    yours = _fit(y, n, np.ones(y.size))
    if book_batches == 0:
        return Refit(book, yours, yours, y.size)
    usual = int(np.median(n))
    outcomes = np.unique(np.linspace(0, usual, min(usual + 1, 401)).astype(np.int64))
    weights = np.exp(log_chances(outcomes, usual, book))
    weights *= book_batches / weights.sum()
    used = _fit(
        np.concatenate([y, outcomes]),
        np.concatenate([n, np.full(outcomes.size, usual)]),
        np.concatenate([np.ones(y.size), weights]),
    )
    return Refit(book, yours, used, y.size)


def _fit(y: NDArray[np.int64], n: NDArray[np.int64], weights: Floats) -> Survival:
    """The mean and rho of greatest weighted likelihood."""
    from scipy import optimize  # takes a while to import, and only who learns needs it

    share = float(np.clip((weights * y).sum() / (weights * n).sum(), 1e-4, 1 - 1e-4))

    def misfit(at: Floats) -> float:
        mean, rho = special.expit(at)
        found = log_chances(y, n, Survival(float(mean), float(rho)))
        return float(-(weights * found).sum())

    # Far ends are flat: shares and rho are kept off 0 and 1 by a hundred-thousandth.
    edge = float(special.logit(1e-5))
    best = min(
        (
            optimize.minimize(
                misfit,
                [special.logit(share), special.logit(rho)],
                method="Nelder-Mead",
                bounds=[(edge, -edge)] * 2,
                options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 2000},
            )
            for rho in (0.01, 0.1)
        ),
        key=lambda answer: float(answer.fun),
    )
    mean, rho = special.expit(best.x)
    return Survival(float(mean), float(rho))


def _check_level(service_level: float) -> None:
    if not 0 < service_level < 1:
        rule = "a service level must be above 0 and under 1"
        raise Fault("Service level", rule, service_level, "write 95 % as 0.95")
