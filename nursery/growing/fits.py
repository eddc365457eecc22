"""What do a nursery's own records say, how sure is that, and what do they say with the book?

Pure numbers: no rows, no dates. Every fit gives *yours* (the records alone), an interval for yours
(`LEVEL`, None where there are too few records to say), and *used* (the records and the book
together, the book weighing `BOOK_BATCHES` records).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from nursery.errors import Fault
from nursery.yields import Survival, refit

Floats = NDArray[np.float64]
Ends = tuple[float | None, float | None]

LEVEL = 0.9
"""How often an interval is to hold the truth."""

BOOK_BATCHES = 4.0
"""How many of the nursery's own batches the book weighs (an estimate)."""

LEAST = 3
"""Fewer records than this give no interval: their spread cannot be told."""

_MEANS, _RHOS = 81, 61
_LEAST_RHO, _MOST_RHO = 1e-4, 0.9


@dataclass(frozen=True, slots=True)
class Fitted:
    """One quantity: the book's, yours (None without records), an interval, and both together."""

    book: float
    yours: float | None
    used: float
    low: float | None
    high: float | None
    records: int


def survival(usable: ArrayLike, started: ArrayLike, book: Survival) -> tuple[Fitted, Fitted]:
    """Which mean and which rho do these batches show (one value a batch each)?

    Points are those of `nursery.yields.refit`. The interval of the mean has equal tails of the
    likelihood with rho integrated out, that of rho of the likelihood with the mean integrated out
    (an integrated likelihood: Berger, Liseo & Wolpert 1999), on a grid of logits; so neither takes
    the other as known. Where book and batches disagree on the mean, the rho that is used may be
    above both: it holds that doubt as well, so that more is started until batches settle it (it
    pays where fewer live than the book says, and costs where more do). Raises `Fault` for
    impossible counts.
    """
    y, n = np.asarray(usable, dtype=np.int64), np.asarray(started, dtype=np.int64)
    fit = refit(y, n, book, BOOK_BATCHES)
    yours = fit.yours
    of_mean: Ends = (None, None)
    of_rho: Ends = (None, None)
    if y.size >= LEAST:
        of_mean, of_rho = survival_intervals(y, n)
    own = (None, None) if yours is None else (yours.mean, yours.overdispersion)
    many = int(y.size)
    return (
        Fitted(book.mean, own[0], fit.used.mean, *of_mean, many),
        Fitted(book.overdispersion, own[1], fit.used.overdispersion, *of_rho, many),
    )


def survival_intervals(
    usable: ArrayLike, started: ArrayLike
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Between which ends do the mean and rho of these batches lie? (low, high) of each.

    See `survival`; needs no book. Counts are taken as possible ones.
    """
    y, n = np.asarray(usable, dtype=np.int64), np.asarray(started, dtype=np.int64)
    centre = special.logit((y.sum() + 0.5) / (n.sum() + 1))
    shares = (y + 0.5) / (n + 1)
    reach = max(0.5, 10 * float(np.std(special.logit(shares), ddof=1)) / math.sqrt(y.size))
    means = special.expit(centre + np.linspace(-reach, reach, _MEANS))
    rhos = special.expit(np.linspace(special.logit(_LEAST_RHO), special.logit(_MOST_RHO), _RHOS))
    size = (1 / rhos - 1)[None, :]
    a, b = means[:, None] * size, (1 - means[:, None]) * size
    found = np.zeros((_MEANS, _RHOS))
    for lived, came in zip(y.tolist(), n.tolist(), strict=True):
        found += special.betaln(lived + a, came - lived + b) - special.betaln(a, b)
    # Flat in the logarithm of the spread between batches, the binomial one (1 / plugs) included,
    # and a little more for great rho: so that three batches too are held as often as stated.
    weight = rhos / (rhos + 1 / n.mean()) / (1 - rhos)
    likely = np.exp(found - found.max()) * weight
    tail = (1 - LEVEL) / 2
    of_mean, of_rho = likely.sum(axis=1), likely.sum(axis=0)
    return (
        (_quantile(means, of_mean, tail), _quantile(means, of_mean, 1 - tail)),
        (_quantile(rhos, of_rho, tail), _quantile(rhos, of_rho, 1 - tail)),
    )


def _quantile(values: Floats, weights: Floats, share: float) -> float:
    total = np.cumsum(weights)
    middle = (total - weights / 2) / total[-1]
    return float(np.interp(share, middle, values))


def days_beside(differences: ArrayLike) -> Fitted:
    """How many days more than its clock said did a stage take (one value a batch)?

    The book's answer is 0: the mean is shrunk towards it. Student's interval.
    """
    found = np.asarray(differences, dtype=float)
    if found.size == 0:
        return Fitted(0.0, None, 0.0, None, None, 0)
    mean = float(found.mean())
    used = mean * found.size / (found.size + BOOK_BATCHES)
    low, high = _around(mean, _spread(found), found.size)
    return Fitted(0.0, mean, used, low, high, int(found.size))


def minutes_a_tray(minutes: ArrayLike, trays: ArrayLike, book: float) -> Fitted:
    """How many minutes does a tray take, from tasks of several trays each?

    Minutes over trays, all tasks together; the book enters as `BOOK_BATCHES` tasks of the usual
    number of trays (the mean of a gamma distribution with that prior). The interval is that of a
    ratio (Cochran, Sampling Techniques, 1977, section 6.3, from memory) with Student's quantile.
    """
    spent, done = np.asarray(minutes, dtype=float), np.asarray(trays, dtype=float)
    if spent.shape != done.shape or np.any(done < 1):
        rule = "a task needs minutes and at least one tray"
        raise Fault("Tasks", rule, (spent.tolist(), done.tolist()), "correct the record")
    if spent.size == 0:
        return Fitted(book, None, book, None, None, 0)
    yours = max(0.0, float(spent.sum() / done.sum()))
    usual = float(done.mean()) * BOOK_BATCHES
    used = max(0.0, float((spent.sum() + usual * book) / (done.sum() + usual)))
    low, high = _around(yours, _spread(spent - yours * done) / float(done.mean()), spent.size)
    return Fitted(book, yours, used, None if low is None else max(0.0, low), high, int(spent.size))


def flush(plugs: ArrayLike, book: tuple[float, ...]) -> tuple[Fitted, ...]:
    """Which share of a batch is ready in each week? `plugs` is [batches, weeks].

    Every batch counts the same, since its plugs are not independent of each other. The book is a
    Dirichlet prior that weighs `BOOK_BATCHES` batches; weeks that it does not have count 0 in it.
    """
    made = np.asarray(plugs, dtype=float)
    if made.size == 0:
        return tuple(Fitted(share, None, share, None, None, 0) for share in book)
    if made.ndim != 2 or np.any(made < 0) or np.any(made.sum(axis=1) <= 0):
        raise Fault("Flush", "plugs of a batch must be >= 0, some above", plugs, "correct them")
    weeks = max(made.shape[1], len(book))
    shares = np.zeros((made.shape[0], weeks))
    shares[:, : made.shape[1]] = made / made.sum(axis=1, keepdims=True)
    prior = np.zeros(weeks)
    prior[: len(book)] = book
    used = (shares.sum(axis=0) + BOOK_BATCHES * prior) / (len(shares) + BOOK_BATCHES)
    found = []
    for week in range(weeks):
        mean = float(shares[:, week].mean())
        low, high = _around(mean, _spread(shares[:, week]), len(shares))
        if low is not None and high is not None:
            low, high = max(0.0, low), min(1.0, high)
        found.append(Fitted(float(prior[week]), mean, float(used[week]), low, high, len(shares)))
    return tuple(found)


def _spread(values: Floats) -> float:
    return float(np.std(values, ddof=1)) if values.size > 1 else 0.0


def _around(middle: float, spread: float, records: int) -> Ends:
    if records < LEAST:
        return None, None
    reach = float(special.stdtrit(records - 1, (1 + LEVEL) / 2)) * spread / math.sqrt(records)
    return middle - reach, middle + reach
