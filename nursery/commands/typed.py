"""Which day was typed?"""

from datetime import date

from nursery.errors import Fault


def parse_day(text: str | None) -> date | None:
    """Which day does "2027-03-22" name? None where nothing is said.

    Raises `Fault` for what is no ISO 8601 date, or a day of another century.
    """
    try:
        day = date.fromisoformat(text) if text else None
    except ValueError:
        raise Fault("Day", "must be a date such as 2027-03-22", text, "write it so") from None
    if day is not None and not 1900 <= day.year < 2200:
        raise Fault("Day", "must lie between 1900 and 2199", text, "check the year")
    return day


def given_day(text: str) -> date:
    """As `parse_day`, where a day must be named."""
    day = parse_day(text)
    if day is None:
        raise Fault("Day", "must be given", text, "write it such as 2027-03-22")
    return day
