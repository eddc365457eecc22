"""Shade calendars: the weeks against a mixed-integer model, chances by hand, tasks and the air."""

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from sqlmodel import Session, select

from nursery.database import Database, today
from nursery.errors import Fault
from nursery.growing.air import air_of
from nursery.growing.shade_calendar import ShadeCalendar, keep_calendar, shade_calendars
from nursery.growing.shade_layers import layers_at
from nursery.growing.shade_picture import shade_picture
from nursery.growing.shade_weeks import (
    Costs,
    chances_under,
    cheapest_layers,
    cost_of,
    needed_layers,
)
from nursery.growing_area import GrowingArea
from nursery.planning.bench_map import Limits
from nursery.shading import ShadeChange, ShadeSetting
from nursery.week.recurring import RecurringWork
from nursery.week.rota import rota
from nursery.week.warnings import WarningKind, warnings
from nursery.week.week_sheet import week_sheet
from nursery.weeks import Week
from tests.builders import set_clock, small_nursery

MONDAY = date(2027, 3, 1)


def _by_milp(needed: list[int], most: int, before: int, costs: Costs) -> float:
    """The same problem for a general solver, HiGHS in scipy: layers, moves up and down, changes."""
    weeks = len(needed)
    # Columns by week: layers k, layers put on u, taken off d, is it a day with a change z.
    price = np.tile([costs.light, costs.layer, costs.layer, costs.change], weeks)
    rows: list[np.ndarray[Any, Any]] = []
    low: list[float] = []
    high: list[float] = []
    for week in range(weeks):
        row = np.zeros(4 * weeks)
        row[4 * week : 4 * week + 3] = [1, -1, 1]
        if week:
            row[4 * (week - 1)] = -1
        rows.append(row)
        low.append(0 if week else before)
        high.append(0 if week else before)
        link = np.zeros(4 * weeks)
        link[4 * week + 1 : 4 * week + 4] = [1, 1, -max(most, before)]
        rows.append(link)
        low.append(-np.inf)
        high.append(0)
    bottom = np.array([[need, 0, 0, 0] for need in needed], float).ravel()
    top = np.tile([most, 9, 9, 1], weeks)
    found = milp(
        price,
        integrality=np.ones(4 * weeks),
        bounds=Bounds(bottom, top),
        constraints=LinearConstraint(np.array(rows), low, high),
    )
    assert found.success
    return float(found.fun)


@given(
    st.lists(st.integers(0, 3), min_size=1, max_size=14),
    st.integers(0, 4),
    st.tuples(st.integers(0, 900), st.integers(0, 500), st.integers(0, 400)),
)
@settings(deadline=None, max_examples=40)
def test_the_weeks_with_shade_are_the_cheapest_there_are(
    needed: list[int], before: int, prices: tuple[int, int, int]
) -> None:
    costs = Costs(*prices)
    layers, cost = cheapest_layers(needed, 3, before, costs)
    assert all(need <= on <= 3 for need, on in zip(needed, layers, strict=True))
    assert cost == pytest.approx(cost_of(layers, before, costs))
    assert cost == pytest.approx(_by_milp(needed, 3, before, costs), abs=1e-6)


def test_a_mild_week_between_two_hot_ones_is_bridged_where_ladders_cost_more_than_light() -> None:
    needed = [0, 2, 0, 2, 0]
    dear_ladders, dear_light = Costs(1000, 500, 100), Costs(10, 5, 1000)
    assert cheapest_layers(needed, 3, 0, dear_ladders)[0] == (0, 2, 2, 2, 2)
    assert cheapest_layers(needed, 3, 0, dear_light)[0] == (0, 2, 0, 2, 0)


def test_layers_are_counted_until_the_limit_holds_in_the_stated_share_of_years() -> None:
    """Ten times four years whose hottest day is 24, 26, 28 or 30 °C; each layer takes 2 °C off."""
    hottest = np.repeat([24.0, 26.0, 28.0, 30.0], 10)
    t_max = np.full((40, 7), 15.0)
    t_max[:, 3] = hottest
    chances = chances_under(np.full((40, 7), 8.0), t_max, limit_c=25.0, shade_c=2.0, most=3)
    assert chances[0].tolist() == [0.25, 0.5, 0.75, 1.0]
    assert [int(needed_layers(chances, s)[0][0]) for s in (0.2, 0.5, 0.7, 0.9)] == [0, 1, 2, 3]
    least, enough = needed_layers(chances[:, :3], 0.9)
    assert (int(least[0]), bool(enough[0])) == (2, False)


def test_shade_never_makes_a_day_colder_than_its_night_and_few_years_take_their_neighbours() -> (
    None
):
    t_max = np.array([[20.0] * 7 + [30.0] * 7 + [20.0] * 7])
    chances = chances_under(np.full((1, 21), 19.0), t_max, 25.0, 4.0, 3)
    assert chances[:, 0] == pytest.approx([2 / 3, 2 / 3, 2 / 3])
    assert chances_under(np.full((1, 7), 26.0), np.full((1, 7), 30.0), 25.0, 4.0, 3)[0, 3] == 0


def test_after_the_last_row_the_calendar_of_the_year_before_is_taken_again() -> None:
    kept = ((date(2027, 3, 1), 0), (date(2027, 5, 3), 2), (date(2027, 9, 20), 0))
    assert [layers_at(kept, 1, day) for day in (
        date(2027, 2, 28), date(2027, 3, 1), date(2027, 7, 1), date(2027, 12, 24),
        date(2028, 4, 1), date(2028, 5, 1), date(2029, 7, 1), date(2029, 12, 24),
    )] == [1, 0, 2, 0, 0, 2, 2, 0]  # fmt: skip


def _frames(session: Session, limit_c: float | None, most: int = 3) -> ShadeCalendar:
    """The frames feel 12 + 0.6 x (air - 12); July's maxima are 22 °C on average, 3.5 °C spread."""
    area = session.exec(select(GrowingArea).where(GrowingArea.name == "Frames")).one()
    session.add(ShadeSetting(area_id=area.id or 0, limit_c=limit_c, most_layers=most))
    session.flush()
    (found,) = shade_calendars(session, "frames")
    return found


def test_a_calendar_puts_layers_on_before_summer_and_takes_them_off_after_it(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        found = _frames(session, 19.0)
    assert (found.limit_of, found.kept, found.too_hot) == ("sheet Shade", False, ())
    assert len(found.weeks) == 52 and found.weeks[0].monday == MONDAY
    by_month = {week.monday.month: week.layers for week in found.weeks}
    assert by_month[7] >= 2 and by_month[12] == by_month[1] == 0
    assert all(week.chance >= 0.9 and week.layers >= week.needed for week in found.weeks)
    assert 2 <= len(found.changes) <= 6
    assert found.changes[0].what.startswith("put on layer 1")
    assert found.changes[-1].what.startswith("take off layer")
    assert all(change.by.weekday() == 0 for change in found.changes)


def test_weeks_in_which_even_all_layers_do_not_suffice_are_named_with_the_chance_left(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session)
        found = _frames(session, 15.5, most=1)
    hot = found.too_hot
    assert hot and all(week.layers == 1 and week.chance < 0.9 for week in hot)
    assert {week.monday.month for week in hot} >= {7, 8}
    july = next(week for week in hot if week.monday.month == 7)
    # P(a day under 15.5 with a layer) = P(12 + 0.6 (air - 12) - 2 < 15.5) = P(air < 21.17), about
    # 0.41 for one day of mean 22 and deviation 3.5: for seven days that hang together far less.
    assert 0.0 <= july.chance < 0.41


def test_without_a_limit_of_its_own_an_area_takes_that_of_its_tenderest_crop(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        found = {one.area: one for one in shade_calendars(session)}
    assert found["Frames"].limit_c == 25.0  # hardening off up to 25 °C
    assert "harden off" in found["Frames"].limit_of
    assert found["Mist house"].limit_of == "usual caution, from memory"
    assert found["Frames"].assumed


def test_a_kept_calendar_gives_tasks_minutes_a_warning_and_shade_in_the_air(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        session.add(RecurringWork(name="watering", minutes=0))
        found = _frames(session, 19.0)
        before = air_of(session, today(session))
        assert keep_calendar(session, found, "Lea") == len(found.changes)
        assert shade_calendars(session, "Frames")[0].kept
        after = air_of(session, today(session))
        frames = session.exec(select(GrowingArea).where(GrowingArea.name == "Frames")).one()
        first = found.changes[0]
        day = after.day(first.by)
        felt = before.areas[frames.id or 0].t_max[:, day] - 2.0 * first.layers
        least = before.areas[frames.id or 0].t_min[:, day]
        assert (
            after.areas[frames.id or 0].t_max[:, day].tolist() == np.maximum(felt, least).tolist()
        )
        assert shade_told_in(session, first.by - timedelta(days=8)) == []
        told = shade_told_in(session, first.by - timedelta(days=7))
        sheet = week_sheet(session, Week.of(first.by))
        given_out = str(rota(session, Week.of(first.by), Limits(1.0, threads=1)))
    assert told == [(f"{first}", first.by)]
    (line,) = sheet.rounds
    assert line.name.startswith(f"{first.what} by {first.by:%a %d %b}; two people")
    assert (line.day, line.place, line.persons) == (first.by, "Frames", 2)
    assert line.minutes == 20 * first.layers and sheet.round_minutes == 40 * first.layers
    assert f"{first.what} by" in given_out


def shade_told_in(session: Session, day: date) -> list[tuple[str, date]]:
    set_clock(session, day)
    return [
        (one.what_to_do.split(";")[0], one.latest_day)
        for one in warnings(session)
        if one.kind is WarningKind.SHADE
    ]


def test_layers_due_on_a_public_holiday_are_put_on_on_the_working_day_before(db: Database) -> None:
    """5 April 2027 is no holiday, 29 March is Easter Monday in the Netherlands."""
    with db.writing() as session:
        small_nursery(session)
        frames = session.exec(select(GrowingArea).where(GrowingArea.name == "Frames")).one()
        session.add(ShadeChange(area_id=frames.id or 0, on_day=date(2027, 3, 29), layers=1))
        session.flush()
        rounds = week_sheet(session, Week(2027, 12)).rounds
    (line,) = [one for one in rounds if one.name.startswith("put on")]
    # Good Friday, 26 March 2027, is no statutory holiday there, and some calendars list it.
    assert line.day in (date(2027, 3, 25), date(2027, 3, 26))
    assert "by Mon 29 Mar" in line.name


def test_the_picture_shows_every_area_in_black_on_white(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        drawn = shade_picture([_frames(session, 15.5, most=1)])
    assert drawn.startswith("<svg") and drawn.rstrip().endswith("</svg>")
    assert "Frames: under 15.5" in drawn and "x: all layers do not suffice" in drawn
    colours = {part.split('"')[0] for part in drawn.split('fill="')[1:]}
    assert colours <= {"#000", "#fff", "none", "url(#layer-on)"}


def test_calendars_without_climate_area_or_name_are_refused(db: Database) -> None:
    with db.writing() as session:
        site = small_nursery(session)
        with pytest.raises(Fault, match="must be one of Frames"):
            shade_calendars(session, "Frame")
        found = shade_calendars(session, "Frames")[0]
        with pytest.raises(Fault, match="needs somebody"):
            keep_calendar(session, found, " ")
        site.station_id = None
        session.flush()
        with pytest.raises(Fault, match="climate of the site's station"):
            shade_calendars(session)
    with pytest.raises(Fault, match="0 to 2 layers"):
        cheapest_layers([3], 2, 0, Costs(1, 1, 1))
    with pytest.raises(Fault, match="costs must be"):
        Costs(-1, 0, 0)
