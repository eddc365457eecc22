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
from nursery.carrier import CarrierService, PostageBand
from nursery.cli import app
from nursery.database import Database, site
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
from nursery.order import CustomerOrder, Promise, PromiseLine, Wrap
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.shed.journey import journey_deficits
from nursery.shed.packing import Packing, line_wraps, packings
from nursery.shed.pick_sheet import pick_sheet
from nursery.shed.wanted import wanted_on
from nursery.shed.watering import watering_list
from nursery.shed.wraps import known_wraps, record_trial
from nursery.travelling import Against, ParcelBox, TravelPack, WrapTrial
from nursery.weather import MonthNormal, Station, WayStation
from tests.builders import crop_named, product_of
from tests.shop import HERE, caltha, mild_nursery

TUESDAY = date(2027, 3, 2)
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
        station = [mild_nursery(session).station_id or 0]
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
        assert (
            line.says.startswith("moss and paper would dry out on the way in")
            and line.chance == 1.0
        )
        for row in session.exec(select(Wrap)).all():
            row.conductance_g_per_h_kpa = 90.0
        session.flush()
        assert line_wraps(session, date(2027, 3, 2))[0].says.startswith("NO WRAP STAYS MOIST")


def _trial(
    after: float,
    humidity: float | None = 0.5,
    night_c: float | None = None,
    mean_c: float = 20,
    hours: float = 24,
) -> WrapTrial:
    return WrapTrial(
        wrap_id=0, weighed_at=AT, grams_before=400, grams_after=after, hours=hours, mean_c=mean_c,
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
            (_trial(376, None, -90.0), "moss and paper", "minimum must lie from -30 to 50 °C"),
            (_trial(376, mean_c=68.0), "moss and paper", "air must lie from -20 to 50 °C"),
            (_trial(376, hours=2001), "moss and paper", "from 0 to 2000 hours, and is 2001"),
        ):
            with pytest.raises(Refused, match=says):
                record_trial(session, name, trial)
        with pytest.raises(Refused) as refused:
            record_trial(session, "moss and paper", _trial(376, mean_c=68.0))
        assert "degrees Fahrenheit? (68 °F = 20.0 °C)" in (refused.value.refusal.next or "")


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
    assert "MIND O-1: CP-6 in foil, 90 g of water: moss and paper would dry out on" in run.output
    (row,) = [line for line in run.output.splitlines() if line.startswith("[ ] 1")]
    assert "foil" in row and "90 g" in row and "moss and paper" in row
    weighed = ["weigh", "moss and paper", "--before", "400", "--after", "376", "--hours", "24"]
    weighed += ["--celsius", "20", "--database", address]
    done = CliRunner().invoke(app, [*weighed, "--humidity", "50"])
    assert "moss and paper loses 0.855 g/(h kPa) on average of 1 trial" in done.output
    with pytest.raises(Fault, match="per cent"):
        CliRunner().invoke(app, [*weighed, "--humidity", "0.5"], catch_exceptions=False)


def _boxed(session: Session, *rows: ParcelBox) -> Packing:
    """The one parcel of the day, where these boxes are listed."""
    session.add_all(rows)
    session.flush()
    (found,) = packings(session, wanted_on(session, TUESDAY, TUESDAY)).values()
    return found


def test_a_tight_box_is_taken_where_it_is_cheaper_than_another_wrap(db: Database) -> None:
    """Moss at 5 g/(h kPa) dries in the open box; three tenths of that does not. Foil costs 60 cents
    and moss 30: a tight box for 25 cents more than the open one is cheaper, for 35 it is not."""
    with db.writing() as session:
        own = _wraps(session, 5.0)
        own.cost_cents = 30
        plain = ParcelBox(name="plain", room=12, weight_g=100, cost_cents=50)
        tight = ParcelBox(name="tight", room=12, weight_g=150, cost_cents=75, vapour_share=0.3)
        found = _boxed(session, plain, tight)
        (wrap,) = found.wraps
        assert [box.name for box in found.boxes] == ["tight"]
        assert (wrap.wrap, wrap.changed, wrap.says) == ("moss and paper", False, "")
        assert found.cost_cents == 75 + 30
        assert found.box_says.startswith(
            "tight instead of plain: in that moss and paper of CP-6 would"
        )
        tight.cost_cents = 85
        found = _boxed(session)
        assert [box.name for box in found.boxes] == ["plain"] and found.box_says == ""
        assert (found.wraps[0].wrap, found.wraps[0].listed) == ("foil", "moss and paper")
        assert found.cost_cents == 50 + 60
        own.conductance_g_per_h_kpa = 0.8
        session.flush()
        found = _boxed(session)
        assert [box.name for box in found.boxes] == ["plain"] and not found.wraps[0].changed


def test_a_parcel_weighs_its_plants_box_packs_and_the_water_of_the_wrap_it_travels_in(
    db: Database,
) -> None:
    """Three of 400 g in moss (120 g of water) make 1,200 g; in foil (90 g) 90 g less; a box of 100
    g that holds two and one that holds one, and a cold pack of 300 g in each of them."""
    with db.writing() as session:
        own = _wraps(session, 0.8)
        product = product_of(session, crop_named(session, "Caltha palustris"))
        product.weight_g, product.heat_limit_c = 400, 10.0
        line = session.exec(select(PromiseLine)).one()
        line.quantity, line.plugs = 3, 18
        session.add(
            TravelPack(name="cold pack", against=Against.HEAT, hours=60, covers_c=12, outside_c=31,
                       cost_cents=150, weight_g=300, minutes=2)
        )  # fmt: skip
        found = _boxed(session, ParcelBox(name="plain", room=12, weight_g=100, cost_cents=50))
        assert len(found.boxes) == 2 and found.packs.says == "2 cold pack against heat"
        assert found.weight_g == 1200 + 2 * 100 + 2 * 300 == sum(b.weight_g for b in found.boxes)
        assert found.cost_cents == 2 * 50 + 2 * 150 + 3 * own.cost_cents
        with_packs = found.minutes
        own.conductance_g_per_h_kpa = 40.0
        session.flush()
        assert _boxed(session).weight_g == 1200 + 2 * 100 + 2 * 300 - 3 * (120 - 90)
        product.heat_limit_c = 28.0
        own.conductance_g_per_h_kpa = 0.8
        session.flush()
        assert _boxed(session).minutes == with_packs - 4
        product.heat_limit_c = 10.0
        site(session).lift_g = 850
        assert [box.weight_g for box in _boxed(session).boxes] == [800] * 3


def test_a_wetter_wrap_is_weighed_before_the_boxes_and_the_postage_are_chosen(
    db: Database,
) -> None:
    """Two of 400 g in moss and a box of 100 g weigh 900 g and go for 300 cents up to 950 g. In foil
    that holds 30 g more they weigh 960 g: 50 + 900 in one box, 2 x (50 + 300) in two of 530 g."""
    with db.writing() as session:
        own = _wraps(session, 0.8)
        foil = session.exec(select(Wrap).where(Wrap.name == "foil")).one()
        foil.water_g = 150
        product_of(session, crop_named(session, "Caltha palustris")).weight_g = 400
        line = session.exec(select(PromiseLine)).one()
        line.quantity, line.plugs = 2, 12
        promise = session.exec(select(Promise)).one()
        way = {"service_id": promise.service_id, "zone_id": promise.order.zone_id}
        session.add_all(
            PostageBand(**way, up_to_g=up_to, price_cents=cents)
            for up_to, cents in ((950, 300), (5000, 900))
        )
        found = _boxed(session, ParcelBox(name="plain", room=12, weight_g=100, cost_cents=50))
        assert [(box.weight_g, box.postage_cents) for box in found.boxes] == [(900, 300)]
        own.conductance_g_per_h_kpa = 40.0
        session.flush()
        found = _boxed(session)
        assert found.wraps[0].wrap == "foil"
        assert [(box.weight_g, box.postage_cents) for box in found.boxes] == [(530, 300)] * 2
        assert found.weight_g == 1060


def test_a_dry_and_hot_place_on_the_way_changes_wrap_and_packs(db: Database) -> None:
    """At both ends 8 to 16 °C; between them a depot at 24 to 36 °C."""
    with db.writing() as session:
        _wraps(session, 2.0)
        session.add(
            TravelPack(name="cold pack", against=Against.HEAT, hours=60, covers_c=12, outside_c=45)
        )
        found = _boxed(session)
        assert not found.wraps[0].changed and not found.packs.packs
        depot = Station(name="Depot", latitude=45.0)
        session.add(depot)
        session.flush()
        zone = session.exec(select(CustomerOrder)).one().zone_id
        session.add(WayStation(zone_id=zone, station_id=depot.id or 0))
        session.add_all(
            MonthNormal(station_id=depot.id or 0, month=month, min_c=24, max_c=36, min_sd_c=0.5,
                        max_sd_c=0.5)
            for month in range(1, 13)
        )  # fmt: skip
        found = _boxed(session)
        assert found.wraps[0].wrap == "foil" and found.packs.heat_chance > 0.9
        assert [pack.name for pack in found.packs.packs] == ["cold pack"]


def test_one_product_in_two_wraps_makes_two_stops_that_say_from_what_it_was_changed(
    db: Database,
) -> None:
    """Two orders of one day; the van to the other zone is so warm that moss dries there."""
    with db.writing() as session:
        _wraps(session, 2.0)
        service = session.exec(select(Promise)).one().service
        far = CarrierService(**service.model_dump(exclude={"id", "name"}), name="Warm van")
        far.warmer_c = 25.0
        session.add(far)
        session.flush()
        made = reserve(session, "O-2", caltha(2), HERE, TUESDAY, service.name, "shop")
        confirm(session, made.id or 0, "shop")
        session.get_one(Promise, made.id).service_id = far.id or 0
        session.flush()
        session.expire_all()
        sheet = pick_sheet(session, TUESDAY)
    told = [(pick.plugs, pick.wrap, pick.wrap_water_g, pick.changed_from) for pick in sheet.picks]
    assert told == [(6, "moss and paper", 120, ""), (12, "foil", 90, "moss and paper")]
    assert len({(pick.bench, pick.batch_code) for pick in sheet.picks}) == 1
    assert [line.changed_from for slip in sheet.slips for line in slip.lines] == [
        "", "moss and paper",
    ]  # fmt: skip
