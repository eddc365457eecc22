"""Is a text of the form that is asked for? Every problem and plan as JSON names its form."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

MOST = 10**12
"""Larger numbers are slips: sums of them would not be exact where solvers reckon."""
Whole = Annotated[int, Field(ge=-MOST, le=MOST)]


class Shape(BaseModel):
    """What a form's object has, field by field; whole numbers are not read from text or fractions.

    Fields that the form does not know are passed over: others may write more than we read.
    """

    model_config = ConfigDict(strict=True, extra="ignore", frozen=True)


S = TypeVar("S", bound=Shape)


@contextmanager
def fields_of(thing: str) -> Iterator[None]:
    """Is a field missing, or of another kind? Then ValueError names it and `thing`."""
    try:
        yield
    except (KeyError, TypeError, AttributeError) as wrong:
        raise ValueError(f"{thing}: missing or wrong field {wrong}; correct the file") from wrong


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in found if names.count(name) > 1)
        raise ValueError(f"a name stands once in an object, got {twice!r} twice; take one out")
    return found


def read_form(text: str | bytes, form: str, thing: str) -> dict[str, Any]:
    """What does a JSON text of this form say, without the form's name?

    `thing` is named in the error. Raises ValueError for any other form, for no JSON object and for
    a name that stands twice in one.
    """
    try:
        data = json.loads(text, object_pairs_hook=_once)
    except (json.JSONDecodeError, UnicodeDecodeError, RecursionError) as wrong:
        raise ValueError(
            f"{thing}: this is no JSON text ({wrong}); give a file of {form}"
        ) from None
    except ValueError as wrong:
        raise ValueError(f"{thing}: {wrong}") from None
    if not isinstance(data, dict) or data.get("form") != form:
        found = data.get("form") if isinstance(data, dict) else type(data).__name__
        raise ValueError(f"{thing}: the form must be {form}, got {found!r}")
    return {key: value for key, value in data.items() if key != "form"}


def read_shape(text: str | bytes, form: str, thing: str, shape: type[S]) -> S:
    """The same, each field checked. Raises ValueError that names the field, the rule and the value.

    Of several wrong fields the first is told, and how many there are.
    """
    data = read_form(text, form, thing)
    try:
        return shape.model_validate(data)
    except ValidationError as wrong:
        first, *more = wrong.errors(include_url=False)
        where = "".join(f"[{at}]" if isinstance(at, int) else f".{at}" for at in first["loc"])
        got = "" if first["type"] == "missing" else f", got {_short(first['input'])}"
        others = f" ({len(more)} more are wrong)" if more else ""
        raise ValueError(
            f"{thing}: {where.lstrip('.')}: {first['msg'].lower()}{got}; correct the file{others}"
        ) from None


def _short(value: object) -> str:
    said = repr(value)
    return said if len(said) <= 60 else f"{said[:57]}..."
