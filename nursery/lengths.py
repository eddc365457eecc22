"""Is any text longer than its column holds? Asked before rows are written.

PostgreSQL breaks off on such a text and SQLite takes it: the same sentence is wanted on both.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from sqlalchemy import String, TypeDecorator, event, inspect
from sqlmodel import Session

from nursery.columns import Kind
from nursery.errors import Fault

_SHOWN = 40


@lru_cache(maxsize=256)
def _limits(mapper: Any) -> tuple[tuple[str, int], ...]:
    """Which texts of this kind of row have a greatest length (characters)?"""
    found = []
    for attribute in mapper.column_attrs:
        of: Any = attribute.columns[0].type
        kept = of.impl if isinstance(of, TypeDecorator) else of
        if isinstance(kept, String) and kept.length and not isinstance(of, Kind):
            found.append((attribute.key, of.length))
    return tuple(found)


@event.listens_for(Session, "before_flush")
def refuse_long_texts(session: Session, context: Any, instances: Any) -> None:
    """Raises `Fault` for the first text that is too long, naming row, column and limit."""
    for row in (*session.new, *session.dirty):
        mapper: Any = inspect(row).mapper
        for name, most in _limits(mapper):
            text = row.__dict__.get(name)
            if isinstance(text, str) and len(text) > most:
                thing = f"{type(row).__name__}: {name.replace('_', ' ')}"
                rule = f"at most {most} characters, this has {len(text)}"
                shown = text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
                raise Fault(thing, rule, shown, "shorten it")
