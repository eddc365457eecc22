"""Which work comes round every week, whatever is growing? Pest walks, counts, watering, hygiene.

Rows that the lead has listed count in the plan: their minutes are no longer there for batches.
Where no row is listed, `USUAL` stands on the week sheet, marked as assumed, and the plan's hours
are left alone; to have none of it, list one row of 0 minutes. Local rules on heat, lifting and
working with sprayed plants stand above every row.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from sqlmodel import Field, Session, SQLModel, col, select

from nursery.calendars import public_holidays
from nursery.columns import check
from nursery.growing_area import Site
from nursery.weeks import Week
from nursery.working_days import working_days

NO_SOURCE = "common practice, no source"


class RecurringWork(SQLModel, table=True):
    """Work that is done on some weekdays of every week (of a season), so many minutes each time.

    `days` are seven characters, Monday first ("1001000" = Monday and Thursday). The season runs
    from ISO week `first_week` to `last_week`, both included, and may run over new year. `persons`
    work on it together, each for the `minutes`. `skill` is a word of People's skills, or "".
    """

    __tablename__ = "recurring_work"
    __table_args__ = (
        check("recurring_work", "days", "length(days) = 7"),
        check("recurring_work", "minutes", "minutes >= 0 AND persons >= 1"),
        check(
            "recurring_work",
            "weeks",
            "first_week BETWEEN 1 AND 53 AND last_week BETWEEN 1 AND 53",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    place: str = Field(default="", max_length=60)
    days: str = "1000000"
    minutes: float
    persons: int = 1
    skill: str = Field(default="", max_length=60)
    first_week: int = 1
    last_week: int = 53

    def covers(self, week_number: int) -> bool:
        """Is it done in this ISO week number (1..53)?"""
        if self.first_week <= self.last_week:
            return self.first_week <= week_number <= self.last_week
        return week_number >= self.first_week or week_number <= self.last_week


@dataclass(frozen=True, slots=True)
class Round:
    """One turn of recurring work on one day: minutes of each of its persons.

    `assumed` says why it is on the sheet although nobody listed it; "" for a listed row.
    """

    name: str
    place: str
    day: date
    minutes: int
    persons: int
    skill: str
    assumed: str = ""


def usual_work() -> tuple[RecurringWork, ...]:
    """Which work comes round at most nurseries? Fresh rows; minutes: common practice, no source."""
    return (
        RecurringWork(
            name="pest walk: slugs", place="frames and floor", days="1001000", minutes=15
        ),
        RecurringWork(
            name="pest walk: aphids", place="all benches", days="0100100", minutes=20,
            first_week=9, last_week=44,
        ),
        RecurringWork(name="walk-round count", place="all benches", days="0000100", minutes=30),
        RecurringWork(name="watering", place="all areas", days="1111111", minutes=20),
        RecurringWork(
            name="hygiene: floors, knives, foot bath", place="all areas", days="0000100", minutes=30
        ),
    )  # fmt: skip


def rounds(session: Session, week: Week, here: Site) -> list[Round]:
    """Which recurring work falls on which day of this week? In order of day and name.

    The listed rows, else the usual ones, marked as assumed. Work of a public holiday falls on the
    next working day of the week, else the last one before, except what is done daily (six days a
    week or more): plants drink on holidays too.
    """
    free = frozenset(
        day for day in week.days() if day in public_holidays(here.holiday_region, day.year)
    )
    listed = listed_work(session)
    assumed = "" if listed else NO_SOURCE
    found = []
    for row in listed or usual_work():
        if not row.covers(week.number) or row.minutes <= 0:
            continue
        minutes = math.ceil(row.minutes)
        for day in _days(row.days, week, free, working_days(here, week)):
            found.append(Round(row.name, row.place, day, minutes, row.persons, row.skill, assumed))
    return sorted(found, key=lambda one: (one.day, one.name))


def listed_work(session: Session) -> list[RecurringWork]:
    """Which recurring work has the lead listed? In order of id."""
    return list(session.exec(select(RecurringWork).order_by(col(RecurringWork.id))).all())


def week_minutes(rows: list[RecurringWork], week: Week) -> int:
    """How many minutes of all hands do these rows take in this week?"""
    return math.ceil(
        sum(
            row.days.count("1") * row.minutes * row.persons
            for row in rows
            if row.covers(week.number)
        )
    )


def _days(mask: str, week: Week, free: frozenset[date], worked: tuple[date, ...]) -> list[date]:
    days = week.days()
    wanted = [day for day, on in zip(days, mask, strict=True) if on == "1"]
    if len(wanted) >= 6:
        return wanted
    moved: list[date] = []
    for day in wanted:
        if day in free and worked:
            later = [one for one in worked if one > day and one not in moved]
            day = later[0] if later else worked[-1]
        if day not in moved:
            moved.append(day)
    return moved
