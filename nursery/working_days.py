"""On which days is the nursery worked, and which is the last of them in a week?

The site's own weekdays (`Site.working_days`, seven characters, Monday first), less the public
holidays of its region. Watering goes on every day: who comes on the other days is agreed upon.
"""

from __future__ import annotations

from datetime import date, timedelta

from nursery.calendars import public_holidays, weekday_mask
from nursery.growing_area import Site
from nursery.weeks import Week


def works_on(here: Site, day: date) -> bool:
    """Is this a working day: one of the site's weekdays, and no public holiday?"""
    return why_off(here, day) == ""


def why_off(here: Site, day: date) -> str:
    """Why is this no working day, in words? "" where it is one."""
    worked = weekday_mask(here.working_days)[day.weekday()]
    holiday = public_holidays(here.holiday_region, day.year).get(day, "")
    return holiday or ("" if worked else "no working day here")


def days_a_week(here: Site) -> int:
    """Over how many days does a person's week spread, holidays aside?"""
    return sum(weekday_mask(here.working_days))


def working_days(here: Site, week: Week) -> tuple[date, ...]:
    """Which days of this week are worked, in order?"""
    return tuple(day for day in week.days() if works_on(here, day))


def last_working_day(here: Site, week: Week) -> date:
    """Which is the last working day of the week? Monday where there is none."""
    return (week.monday(), *working_days(here, week))[-1]


def working_day_before(here: Site, day: date) -> date:
    """Which is the last working day that is not after this day?"""
    while not works_on(here, day):
        day -= timedelta(days=1)
    return day
