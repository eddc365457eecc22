"""Column types and constraints that the rows share."""

from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import CheckConstraint, DateTime, Dialect, String
from sqlalchemy.types import TypeDecorator

from nursery.errors import Fault


class UtcDateTime(TypeDecorator[datetime]):
    """A moment: stored as UTC on both databases, always read with its zone.

    Raises `Fault` for a moment without a zone, since nobody could say when it was.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        if value is None:
            return None
        if value.tzinfo is None:
            raise Fault("Moment", "must carry a time zone", value, "add the zone's offset")
        at = value.astimezone(UTC)
        return at.replace(tzinfo=None) if dialect.name == "sqlite" else at

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            return value.replace(tzinfo=UTC)  # type: ignore[no-any-return]
        return value.astimezone(UTC)  # type: ignore[no-any-return]


class Kind(TypeDecorator[StrEnum]):
    """One of a fixed list of words, kept as text; pair it with `one_of` for the CHECK."""

    impl = String(32)
    cache_ok = True

    def __init__(self, words: type[StrEnum]) -> None:
        super().__init__()
        self.words = words

    def process_bind_param(self, value: StrEnum | str | None, dialect: Dialect) -> str | None:
        return None if value is None else str(self.words(value).value)

    def process_result_value(self, value: Any, dialect: Dialect) -> StrEnum | None:
        return None if value is None else self.words(value)


def one_of(table: str, column: str, words: type[StrEnum]) -> CheckConstraint:
    """Which words may this column hold? As a CHECK named after table and column."""
    listed = ", ".join(f"'{word.value}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=f"ck_{table}_{column}_word")


def check(table: str, name: str, rule: str) -> CheckConstraint:
    """Which rule must every row of this table keep? As a named CHECK."""
    return CheckConstraint(rule, name=f"ck_{table}_{name}")
