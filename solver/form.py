"""Is a text of the form that is asked for? Every problem and plan as JSON names its form."""

from __future__ import annotations

import json
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, Strict, ValidationError

from solver.sizes import MOST

Whole = Annotated[int, Field(ge=-MOST, le=MOST)]
Amount = int
"""A plan's cost or bound: a sum, so it may be larger than any number of the problem."""
Pair = Annotated[tuple[str, Whole], Strict(strict=False)]
"""A key and its number. JSON has lists alone; what is in them is read as strictly as elsewhere."""


class Shape(BaseModel):
    """What a form's object has, field by field; whole numbers are not read from text or fractions.

    Fields that the form does not know are passed over: others may write more than we read.
    """

    model_config = ConfigDict(strict=True, extra="ignore", frozen=True)


S = TypeVar("S", bound=Shape)


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
        raise ValueError(f"{thing}: the form must be {form}, got {_short(found)}")
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
    try:
        said = repr(value)
    except RecursionError:
        said = f"a {type(value).__name__} within many others"
    return said if len(said) <= 60 else f"{said[:57]}..."
