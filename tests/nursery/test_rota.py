"""The week's rota: a sheet a person and day, from the week sheet and the bench map."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlmodel import Session, select
from typer.testing import CliRunner

from nursery.bench_slot import StandApart
from nursery.cli import app
from nursery.database import Database
from nursery.errors import Fault
from nursery.growing_area import Absence, GrowingArea, Person, Site
from nursery.planning.bench_map import Slot, bench_map
from nursery.stock import Veto, VetoKind
from nursery.weather import Forecast
from nursery.week import as_planned
from nursery.week.recurring import RecurringWork
from nursery.week.rota import Rota, hot_days, keep_rota, people_in, rota
from nursery.week.rota_tasks import Work
from nursery.week.week_sheet import week_sheet
from nursery.weeks import Week
from solver.run import Limits
from tests.builders import crop_named, ready_lot, set_clock, small_nursery
from tests.nursery.test_bench_map import on_bench
from tests.nursery.test_week_sheet import CALTHA, MONDAY, THIS_WEEK, accepted

TUESDAY = MONDAY + timedelta(days=1)
STRUCK = date(2027, 2, 8)
"""Struck for 21 days from here, a batch moves on Monday 1 March."""


def nursery(session: Session, *names: str) -> Site:
    """The small nursery with these people besides Ada, and no recurring work."""
    site = small_nursery(session)
    session.add(RecurringWork(name="none", days="0000000", minutes=0))
    for name in names:
        session.add(Person(name=name, minutes_a_week=2280))
    session.flush()
    return site


def given(found: Rota) -> list[tuple[str, date, Work]]:
    return [(s.person, s.day, line.work) for s in found.sheets for line in s.lines]


def day_of(found: Rota, what: str) -> date:
    (day,) = {day for _, day, work in given(found) if work.what == what}
    return day


def forecast(session: Session, site: Site, day: date, high: float, age: int = 0) -> None:
    issued = datetime(2027, 3, 1, 5, tzinfo=UTC) - timedelta(days=age)
    session.add(
        Forecast(station_id=site.station_id or 0, day=day, issued_at=issued, min_c=5, max_c=high)
    )
    session.flush()


def test_every_open_line_of_the_week_sheet_is_given_out_or_told(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        on_bench(session, "G1", 6, "Mist house 1", STRUCK)
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 5)
        ready_lot(session, crop_named(session, CALTHA), 150, STRUCK, date(2027, 3, 4), code="L1")
        sheet, found = week_sheet(session, THIS_WEEK), rota(session, THIS_WEEK)
    lines = {work.line for _, _, work in given(found) if work.line}
    assert lines == {task.key for task in sheet.tasks} and len(lines) == 3
    rounds = [work.what for work in (w for _, _, w in given(found)) if work.recurring]
    assert "pest walk: slugs" in rounds and rounds.count("watering") == 5
    assert {(w.what, why) for w, why in found.undone} == {
        ("watering", "nobody is in on Saturday 06 March (no working day here): agree who comes"),
        ("watering", "nobody is in on Sunday 07 March (no working day here): agree who comes"),
    }


def test_a_line_says_from_which_places_to_which_a_batch_goes(db: Database) -> None:
    with db.writing() as session:
        nursery(session)
        batch = on_bench(session, "G1", 6, "Mist house 1", STRUCK)
        found, benches = rota(session, THIS_WEEK), bench_map(session, THIS_WEEK)
    ((person, _, work),) = [one for one in given(found) if one[2].what == "move"]
    here, there = (benches.of(batch.id or 0, position)[0] for position in (1, 2))
    assert (work.come_from, work.go_to) == (here.label, there.label)
    assert (person, work.trays, work.plugs, work.minutes) == ("Ada", 6, 624, 36)


def filled_after(session: Session, cleaning_days: int) -> Rota:
    """30 of the mist house's 40 places are left in the week in which 30 others are to come."""
    nursery(session, "Ben")
    house = session.exec(select(GrowingArea).where(GrowingArea.name == "Mist house")).one()
    house.cleaning_days = cleaning_days
    on_bench(session, "G1", 30, "Mist house 1", STRUCK)
    accepted(session, crop_named(session, CALTHA), THIS_WEEK, 30)
    return rota(session, THIS_WEEK)


def test_places_are_left_then_cleaned_then_filled(db: Database) -> None:
    with db.writing() as session:
        found = filled_after(session, cleaning_days=1)
    left, cleaned = day_of(found, "move"), day_of(found, "clean and disinfect")
    first = min(day for _, day, work in given(found) if work.what == "start")
    assert left <= cleaned <= first
    assert (first - left).days >= 1


def test_a_long_task_is_cut_into_parts_by_whole_trays(db: Database) -> None:
    with db.writing() as session:
        nursery(session)
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 19)
        found = rota(session, THIS_WEEK)
    parts = [work for _, _, work in given(found) if work.what == "start"]
    assert sum(work.trays for work in parts) == 19
    assert sum(work.plugs for work in parts) == 19 * 104
    assert sum(work.minutes for work in parts) == 40 + 19 * 30
    assert {work.note for work in parts} == {"fill trays 104"}
    assert max(work.minutes for work in parts) <= 240
    assert {work.part for work in parts} == {"1 of 3", "2 of 3", "3 of 3"}


def test_many_trays_are_moved_by_two_on_a_day_on_which_both_are_in(db: Database) -> None:
    with db.writing() as session:
        nursery(session, "Ben")
        ben = session.exec(select(Person).where(Person.name == "Ben")).one()
        away = Absence(person_id=ben.id or 0, first_day=MONDAY, last_day=date(2027, 3, 3))
        session.add(away)
        batch = on_bench(session, "G1", 20, "Mist house 1", STRUCK)
        found = rota(session, THIS_WEEK)
        away.last_day = date(2027, 3, 5)
        session.flush()
        alone = rota(session, THIS_WEEK)
    moves = [one for one in given(found) if one[2].batch == batch.code]
    assert {person for person, _, _ in moves} == {"Ada", "Ben"}
    assert day_of(found, "move") >= date(2027, 3, 4)
    assert {work.minutes for _, _, work in moves} == {math.ceil(20 * 6 / 2)}
    (line,) = [ln for s in found.of("Ada") for ln in s.lines if ln.work.batch == batch.code]
    assert line.others == ("Ben",)
    assert [(work.batch, why) for work, why in alone.undone] == [
        (batch.code, "it needs 2 people at once, 1 are in on its days")
    ]


def test_heavy_trays_are_not_carried_on_a_day_forecast_hot(db: Database) -> None:
    with db.writing() as session:
        site = nursery(session)
        on_bench(session, "HEAVY", 12, "Mist house 1", STRUCK)
        on_bench(session, "LIGHT", 2, "Mist house 1", STRUCK)
        for offset in range(4):
            forecast(session, site, MONDAY + timedelta(days=offset), 31)
        found = rota(session, THIS_WEEK)
        forecast(session, site, date(2027, 3, 5), 31)
        all_hot = rota(session, THIS_WEEK)
    days = {work.batch: day for _, day, work in given(found) if work.batch}
    assert days["HEAVY"] == date(2027, 3, 5)
    assert len(found.hot) == 4 and found.forecast_until == date(2027, 3, 4)
    ((work, why),) = all_hot.undone
    assert work.batch == "HEAVY" and "forecast hot" in why
    assert "LIGHT" in {work.batch for _, _, work in given(all_hot)}


def test_the_sites_own_limits_rule_what_is_heavy_for_two_and_cut_into_parts(db: Database) -> None:
    with db.writing() as session:
        site = nursery(session, "Ben")
        site.two_person_trays, site.heavy_trays, site.longest_task_minutes = 6, 5, 100
        site.hot_day_c = 24.0
        on_bench(session, "G1", 6, "Mist house 1", STRUCK)
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 4)
        forecast(session, site, MONDAY, 25)
        found = rota(session, THIS_WEEK)
    moves = [work for _, _, work in given(found) if work.batch == "G1"]
    assert [work.persons for work in moves] == [2, 2]
    assert found.hot == (MONDAY,)
    assert day_of(found, "move") > MONDAY
    starts = [work for _, _, work in given(found) if work.what == "start"]
    assert {work.part for work in starts} == {"1 of 2", "2 of 2"}
    assert max(work.minutes for work in starts) == 80
    assert any("ask for help from 6 trays on" in caution for caution in found.cautions)


def test_a_place_takes_the_sites_own_minutes_to_clean(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        session.get_one(Site, 1).clean_minutes_a_place = 2.5
        session.add(RecurringWork(name="none", days="0000000", minutes=0))
        session.add(Person(name="Ben", minutes_a_week=2280))
        on_bench(session, "G1", 30, "Mist house 1", STRUCK)
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 30)
        found = rota(session, THIS_WEEK)
    assert {w.minutes for _, _, w in given(found) if w.what == "clean and disinfect"} == {75}


def test_a_stale_forecast_makes_no_day_hot(db: Database) -> None:
    with db.writing() as session:
        site = nursery(session)
        forecast(session, site, TUESDAY, 33, age=3)
        assert hot_days(session, THIS_WEEK) == ((), None)
        forecast(session, site, TUESDAY, 20)
        assert hot_days(session, THIS_WEEK) == ((), TUESDAY)


def test_a_fifth_of_the_hours_falls_on_each_working_day_that_a_person_is_in(db: Database) -> None:
    """New Year's Day 2027 is the Friday of 2026-W53."""
    with db.writing() as session:
        small_nursery(session, at=date(2026, 12, 28))
        ada = session.exec(select(Person)).one()
        ada.skills = "knife, sowing"
        session.add(
            Absence(
                person_id=ada.id or 0, first_day=date(2026, 12, 29), last_day=date(2026, 12, 29)
            )
        )
        session.flush()
        (worker,) = people_in(session, THIS_WEEK - 9)
    assert worker.minutes == (456, 0, 456, 456, 0, 0, 0)
    assert worker.overtime == 300 * 3 // 5
    assert worker.skills == ("knife", "sowing")


def test_where_saturdays_are_worked_and_mondays_are_not_the_rota_is_on_those_days(
    db: Database,
) -> None:
    """Easter Monday 2027-03-29."""
    with db.writing() as session:
        small_nursery(session).working_days = "0011110"
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 5)
        (worker,) = people_in(session, THIS_WEEK)
        found = rota(session, THIS_WEEK)
        easter = rota(session, Week(2027, 13))
    assert worker.minutes == (0, 0, 570, 570, 570, 570, 0)
    days = {sheet.day.weekday() for sheet in found.sheets}
    assert days <= {2, 3, 4, 5} and 5 in days  # the watering of Saturday, at least
    told = [why for work, why in easter.undone if work.what == "watering"]
    assert told == [
        "nobody is in on Monday 29 March (Easter Monday): agree who comes",
        "nobody is in on Tuesday 30 March (no working day here): agree who comes",
        "nobody is in on Sunday 04 April (no working day here): agree who comes",
    ]


def test_hours_are_levelled_over_the_people_who_are_in(db: Database) -> None:
    with db.writing() as session:
        nursery(session, "Ben")
        for week_crop in (CALTHA, "Primula rosea"):
            crop = crop_named(session, week_crop)
            if week_crop == CALTHA:
                start = accepted(session, crop, THIS_WEEK, 8)
            else:
                session.add(
                    type(start)(
                        plan_id=start.plan_id,
                        protocol_id=crop.protocols[0].id,
                        week=str(THIS_WEEK),
                        trays=8,
                    )
                )
        session.flush()
        found = rota(session, THIS_WEEK, Limits(5.0, threads=1))
    by_person = {row.person: sum(row.minutes) for row in found.hours}
    assert by_person == {"Ada": 280, "Ben": 280}
    assert found.cost == found.bound


def test_whoever_is_over_their_hours_is_named(db: Database) -> None:
    with db.writing() as session:
        nursery(session)
        ada = session.exec(select(Person)).one()
        ada.minutes_a_week, ada.overtime_minutes = 300, 20
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 10)
        found = rota(session, THIS_WEEK)
    (row,) = found.hours
    assert sum(row.minutes) == 340
    assert (row.overtime, row.beyond) == (40, 20)
    assert row.long_days


def test_what_waits_for_places_of_a_batch_under_a_veto_is_held_with_it(db: Database) -> None:
    with db.writing() as session:
        nursery(session)
        batch = on_bench(session, "HELD", 30, "Mist house 1", STRUCK)
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 30)
        session.add(
            Veto(
                batch_id=batch.id or 0,
                kind=VetoKind.INSPECTION,
                reason="inspector called",
                set_by="Lea",
                set_at=datetime(2027, 2, 20, tzinfo=UTC),
            )
        )
        session.flush()
        found = rota(session, THIS_WEEK)
    why = {held.line.kind.value: held.why for held in found.held}
    assert "signed off" in why["move"]
    assert why["start"] == "its places are not free: HELD may not move"
    assert given(found) == []


def test_on_thursday_only_what_is_left_of_the_week_is_given_out(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        on_bench(session, "G1", 6, "Mist house 1", STRUCK)
        ready_lot(session, crop_named(session, CALTHA), 150, STRUCK, TUESDAY, code="PAST")
        set_clock(session, date(2027, 3, 4))
        found = rota(session, THIS_WEEK)
    assert min(day for _, day, _ in given(found)) >= date(2027, 3, 4)
    (late,) = [work for _, _, work in given(found) if work.batch == "PAST"]
    assert late.note == "was to be done by Tue 02 Mar"


def test_the_same_books_give_the_same_rota(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        on_bench(session, "G1", 6, "Mist house 1", STRUCK)
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 15)
        assert rota(session, THIS_WEEK) == rota(session, THIS_WEEK)


def who(found: Rota) -> dict[str, tuple[str, date]]:
    """Who does each line, and when?"""
    return {work.key: (person, day) for person, day, work in given(found)}


def test_what_was_handed_out_stays_and_what_comes_since_is_given_out_beside_it(
    db: Database,
) -> None:
    with db.writing() as session:
        nursery(session, "Ben")
        on_bench(session, "G1", 6, "Mist house 1", STRUCK)
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 8)
        at_once = rota(session, THIS_WEEK)
    assert at_once.kept_at is None and "not yet levelled" in at_once.told
    handed_out = keep_rota(db, THIS_WEEK, Limits(5.0, threads=1))
    assert handed_out.kept_at is not None and handed_out.since == 0
    assert handed_out.cost == handed_out.bound
    with db.writing() as session:
        assert rota(session, THIS_WEEK) == handed_out
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 150, STRUCK, date(2027, 3, 4), code="L1")  # to be thrown away
        (done,) = [w.line for _, _, w in given(handed_out) if w.batch == "G1"]
        session.flush()
        with_more = rota(session, THIS_WEEK)
        as_planned.done(session, done, "Ada")
        with_less = rota(session, THIS_WEEK)
    assert with_more.since == 1 and "1 tasks came since" in with_more.told
    before, more, less = who(handed_out), who(with_more), who(with_less)
    assert {key: more[key] for key in before} == before
    assert len(more) == len(before) + 1
    still = set(before) & set(less)
    assert done not in still and {less[key] == before[key] for key in still} == {True}
    anew = keep_rota(db, THIS_WEEK, Limits(5.0, threads=1))
    assert anew.since == 0 and done not in who(anew)


def test_a_kept_rota_gives_nothing_to_somebody_who_has_fallen_ill(db: Database) -> None:
    with db.writing() as session:
        nursery(session, "Ben")
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 8)
        on_bench(session, "G1", 6, "Mist house 1", STRUCK)
    keep_rota(db, THIS_WEEK, Limits(5.0, threads=1))
    with db.writing() as session:
        ada = session.exec(select(Person).where(Person.name == "Ada")).one()
        days = THIS_WEEK.days()
        session.add(Absence(person_id=ada.id or 0, first_day=days[0], last_day=days[4]))
        session.flush()
        found = rota(session, THIS_WEEK)
    assert {person for person, _ in who(found).values()} == {"Ben"} and not found.undone


def test_a_person_who_is_not_listed_has_no_sheet_and_the_cautions_are_printed(
    db: Database,
) -> None:
    with db.writing() as session:
        nursery(session)
        found = rota(session, THIS_WEEK)
    with pytest.raises(Fault, match="must be one of Ada"):
        found.of("Eve")
    words = " ".join(found.cautions)
    assert all(word in words for word in ("re-entry", "Lifting", "Heat", "local rules"))


def test_nobody_is_sent_to_places_that_others_hold(db: Database) -> None:
    """On each day the places that a line fills are free of every batch that is not yet moved."""
    with db.writing() as session:
        found = filled_after(session, cleaning_days=0)
        benches = bench_map(session, THIS_WEEK)
    moved = {work.batch: day for _, day, work in given(found) if work.what == "move"}
    starts = [day for _, day, work in given(found) if work.what == "start"]
    held = [slot for slot in benches.slots if slot.fixed]
    filled: list[Slot] = [slot for slot in benches.slots if not slot.what.batch]
    assert held and filled and starts
    for slot in held:
        for to in filled:
            if slot.bench == to.bench and slot.first_place <= to.last_place:
                assert moved[slot.what.batch] <= min(starts)


def test_the_lead_prints_the_map_and_one_persons_sheets_at_the_command_line(db: Database) -> None:
    with db.writing() as session:
        nursery(session, "Ben")
        on_bench(session, "G1", 6, "Mist house 1", STRUCK)
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 5)
    run = CliRunner(env={"COLUMNS": "160", "NO_COLOR": "1", "NURSERY_DATABASE": db.address})
    shown = run.invoke(app, ["benches", str(THIS_WEEK), "--seconds", "1"])
    assert shown.exit_code == 0, shown.output
    assert "Mist house 1 (propagation house), 40 places" in shown.output
    assert "Mon AAAAAA" in shown.output and "stands there" in shown.output
    sheets = run.invoke(app, ["week", str(THIS_WEEK), "--person", "Ben", "--json"])
    assert sheets.exit_code == 0, sheets.output
    days = json.loads(sheets.stdout)
    assert days and {day["person"] for day in days} == {"Ben"}
    printed = run.invoke(app, ["week", str(THIS_WEEK), "--sheets"])
    assert "minutes a person and day" in printed.output and "[ ]" in printed.output
    told = run.invoke(app, ["benches", "--apart", "marsh:2", "--json", "--seconds", "1"])
    assert json.loads(told.stdout)["week"] == str(THIS_WEEK)
    with db.reading() as session:
        assert session.exec(select(StandApart)).one().places == 2


def test_what_is_overdue_is_given_out_on_the_next_two_days_and_says_when_it_was_due(
    db: Database,
) -> None:
    """The last sale was last Sunday; Monday and Tuesday are the next working days."""
    with db.writing() as session:
        nursery(session)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 150, STRUCK, MONDAY - timedelta(days=1), code="L1")
        found = rota(session, THIS_WEEK, Limits(5.0, threads=1))
    ((_, day, work),) = given(found)
    assert day in (MONDAY, TUESDAY)
    assert work.note == "was to be done by Sun 28 Feb"


@pytest.mark.parametrize(
    ("last_sale", "given_out"),
    [(date(2027, 3, 4), date(2027, 3, 4)), (date(2027, 3, 7), date(2027, 3, 5))],
)
def test_plugs_that_may_still_be_sold_are_not_thrown_away_before_their_last_sale_date(
    db: Database, last_sale: date, given_out: date
) -> None:
    """A Thursday; and a Sunday, before which Friday is the last working day."""
    with db.writing() as session:
        nursery(session)
        ready_lot(session, crop_named(session, CALTHA), 150, STRUCK, last_sale, code="L1")
        found = rota(session, THIS_WEEK)
    ((_, day, work),) = given(found)
    assert (day, work.what, work.note) == (given_out, "discard or pot on", "")
