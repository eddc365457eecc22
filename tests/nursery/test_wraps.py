"""Wraps of parcels: against a solver of differential equations, by trials, and on the sheet."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from sqlmodel import Session, select
from typer.testing import CliRunner

from nursery import moisture
from nursery.cli import app
from nursery.database import Database
from nursery.errors import Fault, Refused
from nursery.moisture import (
    Box,
    Trial,
    calibrate,
    chance_moist,
    cheapest_packing,
    saturation_vapour_pressure,
    vapour_pressure_deficit,
    water_left,
)
from nursery.order import Wrap
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.shed.journey import journey_deficits
from nursery.shed.watering import watering_list
from nursery.shed.wraps import known_wraps, line_wraps, record_trial
from nursery.travelling import WrapTrial
from tests.shop import HERE, caltha, mild_nursery

AT = datetime(2027, 2, 22, 12, tzinfo=UTC)


def test_water_on_a_varying_day_is_that_of_a_solver_of_differential_equations() -> None:
    """dw/dt = -g (e_s(T(t)) - e_a) - p for two days of 8 to 24 and 12 to 28 °C (a cosine), in
    steps of a quarter of an hour against scipy's Runge-Kutta method with a small tolerance."""

    def air(hour: float) -> float:
        low, high = (8.0, 24.0) if hour < 24 else (12.0, 28.0)
        return (low + high) / 2 + (high - low) / 2 * float(np.cos(2 * np.pi * (hour - 17) / 24))

    def falls(hour: float, water: object) -> list[float]:
        dry = float(saturation_vapour_pressure(air(hour))) - float(saturation_vapour_pressure(8.0))
        return [-0.9 * max(dry, 0.0) - 0.15]

    exact = solve_ivp(falls, (0, 48), [140.0], rtol=1e-9, atol=1e-9, max_step=0.25).y[0, -1]
    wrap = moisture.Wrap("moss", 0.9, 140, 35, 24, plants_take=0.15)
    steps = [air(0.125 + 0.25 * n) for n in range(192)]
    left = water_left(wrap, vapour_pressure_deficit(steps, t_min=8.0), 0.25)
    assert left[-1] == pytest.approx(exact, abs=0.05)
    assert 60 < left[-1] < 110


def test_at_constant_temperature_the_water_left_is_the_analytic_one() -> None:
    """20 °C over a night of 10 °C: e_s - e_a = 2.338 - 1.228 = 1.110 kPa (FAO-56, table 2.3)."""
    deficit = float(vapour_pressure_deficit(20.0, t_min=10.0))
    assert deficit == pytest.approx(2.338 - 1.228, abs=1e-3)
    wrap = moisture.Wrap("moss", 0.9, 140, 35, 24)
    left = water_left(wrap, np.full(54, deficit))
    assert left[-1] == pytest.approx(140 - 0.9 * deficit * 54, abs=1e-9)


@given(
    st.lists(st.tuples(st.floats(6, 60), st.floats(0.2, 3)), min_size=1, max_size=6),
    st.floats(0.05, 4),
)
@settings(deadline=None)
def test_trials_without_error_give_the_conductance_back_whatever_their_air(
    trials: list[tuple[float, float]], true: float
) -> None:
    made = [Trial(900, 900 - true * h * d - 0.1 * h, h, d, 0.1) for h, d in trials]
    found = calibrate(made, 0.95)
    assert found.mean == pytest.approx(true, rel=1e-6)
    assert found.safe == pytest.approx(true, rel=1e-4)


def test_trials_that_differ_make_the_safe_conductance_higher() -> None:
    """0.8, 0.9 and 1.0 g/(h kPa): mean 0.9, deviation 0.1; the 95 % point is 1.645 of them up."""
    found = calibrate([Trial(200, 200 - 24 * g, 24, 1.0) for g in (0.8, 0.9, 1.0)], 0.95)
    assert found.mean == pytest.approx(0.9)
    assert found.spread == pytest.approx(0.1)
    assert found.safe == pytest.approx(0.9 + 1.6449 * 0.1, abs=1e-4)
    with pytest.raises(Fault, match="two weighings"):
        calibrate([], 0.9)


def test_the_cheapest_wrap_and_box_that_last_in_the_stated_share_of_years_are_taken() -> None:
    """Ten years of 40 h at 0.5 to 1.4 kPa. Paper (40 g to lose, 1 g/(h kPa)) lasts up to 1.0 kPa:
    in six of ten years; in a box that lets half out, in all of them."""
    deficits = np.repeat(np.linspace(0.5, 1.4, 10)[:, None], 40, axis=1)
    paper, moss = moisture.Wrap("paper", 1.0, 50, 10, 10), moisture.Wrap("moss", 0.5, 50, 10, 30)
    assert chance_moist(paper, deficits) == pytest.approx(0.6)
    assert cheapest_packing([paper, moss], deficits, 0.6).wrap is paper  # type: ignore[union-attr]
    assert cheapest_packing([paper, moss], deficits, 0.9).wrap is moss  # type: ignore[union-attr]
    thick, thin = Box("thick", 0.5, 12), Box("thin", 1.0, 5)
    found = cheapest_packing([paper, moss], deficits, 0.9, [thick, thin])
    assert found is not None
    assert (found.wrap, found.box, found.cost_cents) == (paper, thick, 22)
    assert cheapest_packing([paper], deficits, 0.9) is None
    with pytest.raises(Fault, match="share above 0"):
        Box("open", 0, 1)


def test_the_air_of_a_journey_runs_from_noon_to_six_and_a_warm_van_is_drier(db: Database) -> None:
    with db.writing() as session:
        site = mild_nursery(session)
        station = [site.station_id or 0]
        way = (date(2027, 3, 2), date(2027, 3, 4))
        found = journey_deficits(session, station, *way)
        warmer = journey_deficits(session, station, *way, warmer_c=6.0)
        assert journey_deficits(session, [], *way) is None
    assert found is not None and warmer is not None
    assert found.shape == (200, 54) and (found >= 0).all()
    assert warmer.mean() > 1.5 * found.mean()


def _wraps(session: Session, conductance: float) -> Wrap:
    """Moss and paper as the product's own; beside it a foil wrap that loses next to nothing."""
    mild_nursery(session)
    own = session.exec(select(Wrap)).one()
    own.conductance_g_per_h_kpa = conductance
    session.add(
        Wrap(name="foil", water_g=90, minimum_water_g=30, conductance_g_per_h_kpa=0.05,
             cost_cents=60)
    )  # fmt: skip
    session.add(
        Wrap(name="dear foil", water_g=90, minimum_water_g=30, conductance_g_per_h_kpa=0.04,
             cost_cents=90)
    )  # fmt: skip
    best = quote(session, caltha(1), HERE).options[0]
    made = reserve(session, "O-1", caltha(1), HERE, best.ship_on, best.service, "shop")
    confirm(session, made.id or 0, "shop")
    return own


def test_a_line_travels_in_its_own_wrap_where_that_lasts_else_in_the_cheapest_that_does(
    db: Database,
) -> None:
    with db.writing() as session:
        own = _wraps(session, 0.8)
        (line,) = line_wraps(session, date(2027, 3, 2))
        assert (line.wrap, line.water_g, line.hours, line.says) == ("moss and paper", 120, 54, "")
        own.conductance_g_per_h_kpa = 40.0
        session.flush()
        (line,) = line_wraps(session, date(2027, 3, 2))
        assert (line.wrap, line.water_g) == ("foil", 90)
        assert line.says.startswith("moss and paper stays moist in") and line.chance == 1.0
        for row in session.exec(select(Wrap)).all():
            row.conductance_g_per_h_kpa = 90.0
        session.flush()
        assert line_wraps(session, date(2027, 3, 2))[0].says.startswith("NO WRAP LASTS")


def _trial(after: float, humidity: float | None = 0.5, night_c: float | None = None) -> WrapTrial:
    return WrapTrial(
        wrap_id=0, weighed_at=AT, grams_before=400, grams_after=after, hours=24, mean_c=20,
        humidity=humidity, night_c=night_c,
    )  # fmt: skip


def test_two_weighings_rule_over_the_typed_conductance(db: Database) -> None:
    """20 °C, half saturated: 1.169 kPa (table 2.3: 2.338); 24 g in 24 h are 0.855 g/(h kPa)."""
    with db.writing() as session:
        mild_nursery(session)
        found = record_trial(session, "Moss and paper", _trial(376))
        assert (found.typed, found.trials) == (0.8, 1)
        assert found.used == found.mean == pytest.approx(24 / 24 / 1.169, abs=1e-3)
        second = _trial(370, None, 10.0)
        second.weighed_at = AT + timedelta(days=2)
        found = record_trial(session, "moss and paper", second)
        assert found.trials == 2 and found.mean is not None and found.used > found.mean
        assert known_wraps(session) == [found]


def test_trials_that_cannot_be_are_refused_with_what_to_do(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        for trial, name, says in (
            (_trial(376), "mos", "There is no wrap"),
            (_trial(420), "moss and paper", "gained water"),
            (_trial(376, humidity=60.0), "moss and paper", "humidity is a share"),
            (_trial(376, None), "moss and paper", "night's minimum"),
            (_trial(376, None, 20.0), "moss and paper", "not saturated"),
        ):
            with pytest.raises(Refused, match=says):
                record_trial(session, name, trial)


def test_the_watering_list_says_how_much_on_which_bench(db: Database) -> None:
    """104 cells hold 23 to 43 cm3 each (72 cells: 43, 128 cells: 23); a plug takes up three tenths
    of that: six plugs 0.04 to 0.08 litres, shown with one decimal."""
    with db.writing() as session:
        _wraps(session, 0.8)
        found = watering_list(session)
    assert found.pack_on is not None and found.plugs == 6
    (bench,), (stop,) = found.benches, found.stops
    assert (bench.bench, bench.batches, bench.plugs) == ("Sales bench 1", 1, 6)
    assert stop.litres == bench.litres and stop.litres in (0.0, 0.1)


def test_the_pick_sheet_at_the_command_line_says_which_wrap_is_changed(db: Database) -> None:
    with db.writing() as session:
        _wraps(session, 40.0)
    address = db.address
    run = CliRunner().invoke(app, ["picks", "2027-03-02", "--database", address])
    assert run.exit_code == 0, run.output
    assert "WRAP: O-1, CP-6: foil, 90 g of water, for 54 h" in run.output
    weighed = ["weigh", "moss and paper", "--before", "400", "--after", "376", "--hours", "24"]
    weighed += ["--celsius", "20", "--database", address]
    done = CliRunner().invoke(app, [*weighed, "--humidity", "50"])
    assert "moss and paper loses 0.855 g/(h kPa) on average of 1 trial" in done.output
    with pytest.raises(Fault, match="per cent"):
        CliRunner().invoke(app, [*weighed, "--humidity", "0.5"], catch_exceptions=False)
