"""Is a text of the form that is asked for? Every problem and plan as JSON names its form."""

from __future__ import annotations

import json
from typing import Any


def read_form(text: str | bytes, form: str, thing: str) -> dict[str, Any]:
    """What does a JSON text of this form say, without the form's name?

    `thing` is named in the error. Raises ValueError for any other form and for no JSON object.
    """
    data = json.loads(text)
    if not isinstance(data, dict) or data.get("form") != form:
        found = data.get("form") if isinstance(data, dict) else type(data).__name__
        raise ValueError(f"{thing}: the form must be {form}, got {found!r}")
    return {key: value for key, value in data.items() if key != "form"}
