"""Who does what on which day of the week? A sheet a person and day.

Hours are levelled over the people who are in; two-person moves fall on days on which two are in,
heavy work not on days forecast hot, and no place is filled before it was left and cleaned. What
cannot be given out is told with its reason, and so is everybody who is over their hours.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlmodel import Session, col, select

from nursery.calendars import time_zone
from nursery.database import Database, now, site, today
from nursery.errors import Fault
from nursery.growing_area import Absence, Person, Site
from nursery.kept_rota import KeptRota
from nursery.locks import lock_site
from nursery.planning.bench_map import BenchMap, bench_map
from nursery.weather import Forecast
from nursery.week.rota_tasks import HEAVY, Held, Work, works_of
from nursery.week.week_sheet import WeekSheet, week_sheet
from nursery.weeks import Week
from nursery.working_days import days_a_week, why_off, working_days, works_on
from solver.rota import Person as Worker
from solver.rota import Plan, Problem, Task, cost, first_rota, hours, solve, still_held, undone
from solver.run import Limits

SECONDS = 10.0
"""How long a rota may be bettered; most weeks take a second."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a person's sheet; `others` do it together with them."""

    work: Work
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PersonDay:
    """What one person does on one day, in this order; `there` are the minutes that they are in."""

    person: str
    day: date
    minutes: int
    there: int
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class PersonHours:
    """A person's minutes on each day of the week, and how much of it is too long.

    `overtime` is beyond the week's hours, `beyond` the part of it beyond the overtime agreed,
    `long_days` what exceeds their time on a day (day, minutes).
    """

    person: str
    minutes: tuple[int, ...]
    there: tuple[int, ...]
    overtime: int
    beyond: int
    long_days: tuple[tuple[date, int], ...]


@dataclass(frozen=True)
class Rota:
    """The rota of a week. `undone` are tasks that nobody can be given, with the reason.

    `held` are lines of the week sheet that may not be done now; `hot` the days forecast hot, as far
    as `forecast_until` (None: there is no fresh forecast, a person decides). `kept_at` is when it
    was levelled and kept, None where it never was; `since` tasks were given out beside it since.
    """

    week: str
    plan_version: int | None
    sheets: tuple[PersonDay, ...]
    hours: tuple[PersonHours, ...]
    undone: tuple[tuple[Work, str], ...]
    held: tuple[Held, ...]
    hot: tuple[date, ...]
    forecast_until: date | None
    cautions: tuple[str, ...]
    cost: int
    bound: int
    kept_at: datetime | None = None
    since: int = 0

    @property
    def told(self) -> str:
        """In a sentence: is it levelled, and what came since?"""
        if self.kept_at is None:
            return "Given out at once, not yet levelled: level it and it is kept."
        more = f"; {self.since} tasks came since and are given out beside it" if self.since else ""
        return f"Levelled {self.kept_at:%a %d %b %H:%M} and kept{more}."

    def of(self, person: str) -> tuple[PersonDay, ...]:
        """Which sheets are one person's? Raises `Fault` for a name that is not listed."""
        names = [one.person for one in self.hours]
        if person not in names:
            listed = ", ".join(names) or "nobody"
            raise Fault("Person", f"must be one of {listed}", person, "correct the name")
        return tuple(sheet for sheet in self.sheets if sheet.person == person)


@dataclass(frozen=True)
class _Week:
    """What the rota of a week rests on: read once, solved with or without a transaction open."""

    sheet: WeekSheet
    found: BenchMap
    problem: Problem
    works: tuple[Work, ...]
    held: tuple[Held, ...]
    hot: tuple[date, ...]
    until: date | None
    here: Site
    kept: KeptRota | None

    def at_once(self) -> Plan:
        """The kept rota, with what came since beside it."""
        kept = Plan.from_json(self.kept.plan) if self.kept is not None else None
        plan = first_rota(self.problem, kept)
        same = kept is not None and plan.turns == kept.turns
        return kept if kept is not None and same and cost(self.problem, plan) == kept.cost else plan

    def rota(self, plan: Plan) -> Rota:
        """As people read it."""
        return _rota_of(self, plan)


def rota(session: Session, week: Week, limits: Limits | None = None) -> Rota:
    """Who does what on which day of this week? Reads only; the same books give the same rota.

    The kept rota: what was handed out stays as it was, what is done is gone, and what came since is
    given out at once beside it. With `limits` it is levelled anew within them, and not kept. For
    this week, from today on. Raises `Fault` for a week that has gone by.
    """
    at = _read(session, week)
    if limits is None:
        return at.rota(at.at_once())
    return replace(at.rota(solve(at.problem, limits).found()), kept_at=None, since=0)


def is_kept(session: Session, week: Week) -> bool:
    """Was the rota of this week levelled and kept?"""
    return session.get(KeptRota, str(week)) is not None


def keep_rota(db: Database, week: Week, limits: Limits | None = None) -> Rota:
    """Which rota is handed out in this week from now on? Levelled within the limits, and kept.

    Solved with no transaction open; what changed meanwhile is given out beside it.
    """
    with db.reading() as session:
        problem = _read(session, week).problem
    plan = solve(problem, limits or Limits(SECONDS, threads=1)).found()
    with db.writing() as session:
        lock_site(session)
        row = session.get(KeptRota, str(week)) or KeptRota(
            week=str(week), kept_at=now(session), plan=""
        )
        row.plan, row.kept_at = plan.to_json(), now(session)
        session.add(row)
        session.flush()
        at = _read(session, week)
        return at.rota(at.at_once())


def _read(session: Session, week: Week) -> _Week:
    day = today(session)
    sheet, found = week_sheet(session, week), bench_map(session, week)
    workers = people_in(session, week)
    first = (day - week.monday()).days if week == Week.of(day) else 0
    here, several = site(session), len(workers) > 1
    working = [day.weekday() for day in working_days(here, week)]
    works, held = works_of(sheet.tasks, sheet.rounds, found, first, working, several, here)
    hot, until = hot_days(session, week)
    problem = Problem(
        days=7,
        people=workers,
        tasks=tuple(_task(work) for work in works),
        not_on={HEAVY: tuple((one - week.monday()).days for one in hot)},
        name=str(week),
    )
    kept = session.get(KeptRota, str(week))
    return _Week(sheet, found, problem, tuple(works), tuple(held), hot, until, here, kept)


def cautions(here: Site) -> tuple[str, ...]:
    """What stands under every sheet? The usual caution; local rules stand above it."""
    return (
        "Sprayed plants: no hand work until the label's re-entry interval has ended.",
        f"Lifting: ask for help from {here.two_person_trays} trays on, and whenever it is heavy for"
        " you; limits of weight are those of the local rules.",
        "Heat: heavy work at dawn, breaks, water, shade; stop when you feel unwell. Local rules"
        " rule.",
    )


def people_in(session: Session, week: Week) -> tuple[Worker, ...]:
    """Who is in for how many minutes on each day of this week?

    An equal part of the week's minutes on each of the site's working days (none on a public
    holiday) on which they are not away; of the overtime as many parts.
    """
    here = site(session)
    days = days_a_week(here)
    away: dict[int, list[Absence]] = {}
    for absence in session.exec(select(Absence)).all():
        away.setdefault(absence.person_id, []).append(absence)
    found = []
    for person in session.exec(select(Person).order_by(col(Person.name))).all():
        there = [
            works_on(here, day)
            and not any(a.first_day <= day <= a.last_day for a in away.get(person.id or 0, ()))
            for day in week.days()
        ]
        a_day = person.minutes_a_week // days
        found.append(
            Worker(
                key=person.name,
                minutes=tuple(a_day if one else 0 for one in there),
                overtime=person.overtime_minutes * sum(there) // days,
                skills=tuple(word for word in re.split(r"[,;/]\s*|\s+", person.skills) if word),
            )
        )
    return tuple(found)


def hot_days(session: Session, week: Week) -> tuple[tuple[date, ...], date | None]:
    """Which days of this week are forecast hot, and up to which day is there a fresh forecast?

    The latest forecast of each day counts, if it is not past its shelf life.
    """
    here = site(session)
    oldest = now(session) - timedelta(hours=here.forecast_shelf_hours)
    rows = session.exec(
        select(Forecast)
        .where(Forecast.station_id == here.station_id, col(Forecast.issued_at) >= oldest)
        .order_by(col(Forecast.issued_at))
    ).all()
    latest = {row.day: row.max_c for row in rows}
    hot = tuple(day for day in week.days() if latest.get(day, -100.0) >= here.hot_day_c)
    return hot, max(latest, default=None)


def _task(work: Work) -> Task:
    return Task(
        key=work.key,
        kind=work.kind,
        minutes=work.minutes,
        earliest=work.earliest,
        latest=max(work.latest, work.earliest),
        persons=work.persons,
        skill=work.skill,
        after=work.after,
    )


def _rota_of(at: _Week, plan: Plan) -> Rota:
    problem, days = at.problem, at.found.days
    by_key = {work.key: work for work in at.works}
    order = {task.key: n for n, task in enumerate(problem.in_order)}
    kept = Plan.from_json(at.kept.plan) if at.kept is not None else None
    stayed = still_held(problem, kept) if kept is not None else {}
    found_cost = cost(problem, plan)
    return Rota(
        week=at.sheet.week,
        plan_version=at.sheet.plan_version,
        sheets=tuple(_sheets(problem, plan, by_key, order, days)),
        hours=tuple(
            PersonHours(
                person=row.person,
                minutes=row.minutes,
                there=problem.person_of[row.person].minutes,
                overtime=row.overtime,
                beyond=row.beyond,
                long_days=tuple((days[day], minutes) for day, minutes in row.long_days),
            )
            for row in hours(problem, plan)
        ),
        undone=tuple(
            (by_key[key], _why(by_key[key], why, days, at.here))
            for key, why in undone(problem, plan).items()
        ),
        held=at.held,
        hot=at.hot,
        forecast_until=at.until,
        cautions=cautions(at.here),
        cost=found_cost,
        bound=min(plan.bound or 0, found_cost),
        kept_at=_local(at.kept.kept_at, at.here) if at.kept is not None else None,
        since=sum(key not in stayed for key in plan.turns) if kept is not None else 0,
    )


def _local(moment: datetime, here: Site) -> datetime:
    return moment.astimezone(time_zone(here.time_zone))


def _why(work: Work, why: str, days: Sequence[date], here: Site) -> str:
    if f"'{HEAVY}'" in why:
        return f"every day left is forecast hot, and {work.trays} trays are heavy: a person decides"
    if work.recurring and "nobody is in" in why:
        day = days[work.earliest]
        off = why_off(here, day)
        free = f" ({off})" if off else ""
        return f"nobody is in on {day:%A %d %B}{free}: agree who comes"
    return why


def _sheets(
    problem: Problem,
    plan: Plan,
    by_key: Mapping[str, Work],
    order: Mapping[str, int],
    days: Sequence[date],
) -> list[PersonDay]:
    found = []
    for person in problem.people:
        for at, day in enumerate(days):
            keys = [
                key
                for key, turn in plan.turns.items()
                if turn.day == at and person.key in turn.people
            ]
            if not keys:
                continue
            keys.sort(key=lambda key: (not _watering(by_key[key]), order[key]))
            lines = tuple(
                Line(by_key[key], tuple(p for p in plan.turns[key].people if p != person.key))
                for key in keys
            )
            minutes = sum(line.work.minutes for line in lines)
            found.append(PersonDay(person.key, day, minutes, person.minutes[at], lines))
    return found


def _watering(work: Work) -> bool:
    """Plants drink before anything else is done."""
    return work.recurring and work.what.startswith("watering")
