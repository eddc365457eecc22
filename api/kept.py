"""How is an answer kept as JSON text under its idempotency key, and given again later?

API types are dataclasses: each is written with its name, and days, moments, weeks and words of a
fixed list with a mark, so that what is read back is equal to what was answered.
"""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from typing import Any, TypeVar

from nursery.weeks import Week

C = TypeVar("C", bound=type)
_TYPES: dict[str, type] = {}
_MARK = "$"


def kept(cls: C) -> C:
    """Marks a type (or an enumeration) whose values may be part of a kept answer."""
    _TYPES[cls.__name__] = cls
    return cls


def plain(value: Any) -> Any:
    """What does JSON hold for this value? Raises TypeError for a value that cannot be kept."""
    if isinstance(value, Enum):
        return {_MARK: type(value).__name__, "word": value.value}
    if value is None or isinstance(value, str | int | float | bool):
        return value
    if isinstance(value, Week):
        return {_MARK: "Week", "at": str(value)}
    if isinstance(value, datetime):
        return {_MARK: "DateTime", "at": value.isoformat()}
    if isinstance(value, date):
        return {_MARK: "Date", "at": value.isoformat()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, Mapping):
        return {str(name): plain(item) for name, item in value.items()}
    if is_dataclass(value):
        stored = (field.name for field in fields(value) if field.init)
        listed = {name: plain(getattr(value, name)) for name in stored}
        return {_MARK: type(value).__name__, **listed}
    raise TypeError(f"An answer cannot hold {value!r} of {type(value).__name__}")


def revived(value: Any) -> Any:
    """Which value did `plain` write? Fields that a type no longer has are passed over."""
    if isinstance(value, list):
        return [revived(item) for item in value]
    if not isinstance(value, Mapping):
        return value
    name = value.get(_MARK)
    if name == "Week":
        return Week.parse(value["at"])
    if name == "DateTime":
        return datetime.fromisoformat(value["at"])
    if name == "Date":
        return date.fromisoformat(value["at"])
    if name is None:
        return {key: revived(item) for key, item in value.items()}
    return _made(_TYPES[name], value)


def _made(cls: Any, value: Mapping[str, Any]) -> Any:
    if issubclass(cls, Enum):
        return cls(value["word"])
    known = {field.name for field in fields(cls) if field.init}
    return cls(**{key: revived(item) for key, item in value.items() if key in known})
