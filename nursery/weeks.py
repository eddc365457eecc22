"""Which week is it, and how do dates become the integers of a plan and come back?

A week is an ISO 8601 week, written 2027-W14: it starts on Monday, and week 1 is the week with the
year's first Thursday. This is the one module that turns dates into indices.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import overload

from nursery.errors import Fault

_FORM = re.compile(r"(\d{4})-?[Ww](\d{1,2})")
_FIRST_YEAR, _LAST_YEAR = 1900, 9998


def weeks_in(year: int) -> int:
    """How many ISO weeks has this year? 52 or 53: 28 December is always in the last one."""
    return date(year, 12, 28).isocalendar().week


@dataclass(frozen=True, order=True, slots=True)
class Week:
    """Which ISO week? Ordered in time; `week + 3` and `later - earlier` count weeks.

    Raises Fault for a week the year does not have, with the nearest ones that exist.
    """

    year: int
    number: int

    def __post_init__(self) -> None:
        if not _FIRST_YEAR <= self.year <= _LAST_YEAR:
            rule = f"year must be from {_FIRST_YEAR} to {_LAST_YEAR}"
            raise Fault("Week", rule, self.year, "write the week as 2027-W14")
        last = weeks_in(self.year)
        if not 1 <= self.number <= last:
            written = f"{self.year:04d}-W{self.number:02d}"
            raise Fault("Week", f"{self.year} has weeks 1 to {last}", written, _suggest(self))

    @classmethod
    def parse(cls, text: str) -> Week:
        """Which week does a text such as '2027-W14' name? Raises Fault for any other form."""
        found = _FORM.fullmatch(text.strip())
        if found is None:
            raise Fault("Week", "must be written YYYY-Www", text, "write it as 2027-W14")
        return cls(int(found[1]), int(found[2]))

    @classmethod
    def of(cls, day: date) -> Week:
        """Which week holds this day?"""
        year, number, _ = day.isocalendar()
        return cls(year, number)

    def monday(self) -> date:
        """Which date does the week start on?"""
        return date.fromisocalendar(self.year, self.number, 1)

    def sunday(self) -> date:
        """Which date does the week end on?"""
        return date.fromisocalendar(self.year, self.number, 7)

    def days(self) -> tuple[date, ...]:
        """Which seven dates, Monday first, make up the week?"""
        return tuple(self.monday() + timedelta(days=i) for i in range(7))

    @property
    def ordinal(self) -> int:
        """Which whole number is this week on a count of weeks that has no gaps?"""
        return (self.monday().toordinal() - 1) // 7

    @classmethod
    def from_ordinal(cls, ordinal: int) -> Week:
        """Which week has this number? The inverse of `ordinal`."""
        return cls.of(date.fromordinal(ordinal * 7 + 1))

    def __add__(self, weeks: int) -> Week:
        return Week.from_ordinal(self.ordinal + weeks)

    @overload
    def __sub__(self, other: Week) -> int: ...
    @overload
    def __sub__(self, other: int) -> Week: ...
    def __sub__(self, other: Week | int) -> Week | int:
        if isinstance(other, Week):
            return self.ordinal - other.ordinal
        return self + -other

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.number:02d}"


def _suggest(week: Week) -> str:
    last = weeks_in(week.year)
    if week.number < 1:
        return f"did you mean {week.year:04d}-W01?"
    if week.number == last + 1 and week.year < _LAST_YEAR:
        return f"did you mean {week.year:04d}-W{last} or {week.year + 1:04d}-W01?"
    return f"did you mean {week.year:04d}-W{last}?"


@dataclass(frozen=True, slots=True)
class Horizon:
    """Which weeks does a plan cover, and which integer stands for each?

    `start` is week index 0, its Monday is day index 0. Indices before the start are negative and
    indices past the end are allowed: whoever asks decides what they mean (see `covers`).
    """

    start: Week
    weeks: int

    def __post_init__(self) -> None:
        if self.weeks < 1:
            raise Fault("Horizon", "weeks must be >= 1", self.weeks, "plan at least one week")

    def index(self, when: Week | date) -> int:
        """Which week index is this week or date in?"""
        return (when if isinstance(when, Week) else Week.of(when)) - self.start

    def week(self, index: int) -> Week:
        """Which week does a week index stand for?"""
        return self.start + index

    def day_index(self, day: date) -> int:
        """How many days after the first Monday of the plan is this date?"""
        return (day - self.start.monday()).days

    def day(self, index: int) -> date:
        """Which date does a day index stand for?"""
        return self.start.monday() + timedelta(days=index)

    def covers(self, when: Week | date) -> bool:
        """Is this week or date inside the plan?"""
        return 0 <= self.index(when) < self.weeks

    def all_weeks(self) -> tuple[Week, ...]:
        """Which weeks are in the plan, in order?"""
        return tuple(self.start + i for i in range(self.weeks))
