"""How are dates, moments and weeks written in the API? As ISO 8601 says."""

from datetime import UTC, date, datetime
from typing import Any

import strawberry
from graphql import GraphQLError
from strawberry.types.scalar import ScalarDefinition

from nursery.errors import Fault
from nursery.weeks import Week


def _parse_date(value: Any) -> date:
    if isinstance(value, str) and len(value) == 10:
        try:
            return _of_our_time(date.fromisoformat(value))
        except ValueError:
            pass
    raise GraphQLError(f"A date is written 2027-03-01 (ISO 8601), got {value!r}.")


def _parse_moment(value: Any) -> datetime:
    try:
        moment = datetime.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise GraphQLError(
            "A moment is written with its zone, 2027-03-01T08:30:00Z or +01:00 (ISO 8601), "
            f"got {value!r}."
        )
    _of_our_time(moment.date())
    return moment.astimezone(UTC)


def _of_our_time(day: date) -> date:
    """Days beyond it are slips of the pen, and beyond the calendar for whoever counts on."""
    if not 1900 <= day.year < 2200:
        raise GraphQLError(f"A date must lie between 1900 and 2199, got '{day}'.")
    return day


def _write_moment(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _parse_week(value: Any) -> Week:
    if not isinstance(value, str):
        raise GraphQLError(f"A week is written 2027-W14 (ISO 8601), got {value!r}.")
    try:
        week = Week.parse(value)
    except Fault as fault:
        raise GraphQLError(str(fault)) from None
    _of_our_time(week.monday())
    return week


SCALARS: dict[object, ScalarDefinition] = {
    date: strawberry.scalar(
        name="Date",
        description="A day, ISO 8601: 2027-03-01.",
        specified_by_url="https://www.rfc-editor.org/rfc/rfc3339",
        serialize=date.isoformat,
        parse_value=_parse_date,
    ),
    datetime: strawberry.scalar(
        name="DateTime",
        description="A moment with its zone, ISO 8601: 2027-03-01T08:30:00Z. Answers are in UTC.",
        specified_by_url="https://www.rfc-editor.org/rfc/rfc3339",
        serialize=_write_moment,
        parse_value=_parse_moment,
    ),
    Week: strawberry.scalar(
        name="Week",
        description="A week, ISO 8601: 2027-W14. It starts on Monday.",
        serialize=str,
        parse_value=_parse_week,
    ),
}
"""Which Python types are written as which scalars?"""
