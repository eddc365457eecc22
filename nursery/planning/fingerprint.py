"""From which data was a plan made, and what has changed since?"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import Any

from nursery.weeks import Horizon
from solver.propagation import Problem

_NOT_DATA = ("name", "fixed", "frozen_weeks", "accepted", "change_cost")
_MOST_NAMED = 8


def fingerprint(problem: Problem) -> str:
    """Which digest does the data of this problem have? SHA-256 in hex.

    What an accepted plan fixes is left out: whether another plan was accepted is asked by itself.
    """
    data = _data(problem)
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()


def differences(before: Problem, after: Problem, horizon: Horizon) -> list[str]:
    """What has changed between two problems of one horizon? Plain sentences, the first few named.

    Empty where both have the same fingerprint.
    """
    found = list(_differences(_data(before), _data(after), horizon))
    if len(found) > _MOST_NAMED:
        rest = len(found) - _MOST_NAMED
        found = [*found[:_MOST_NAMED], f"and {rest} more"]
    return found


def _data(problem: Problem) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(problem.to_json())
    return {key: value for key, value in data.items() if key not in _NOT_DATA}


def _differences(before: dict[str, Any], after: dict[str, Any], horizon: Horizon) -> Iterator[str]:
    yield from _keyed("Crop", before["crops"], after["crops"], horizon)
    yield from _keyed("Area", before["areas"], after["areas"], horizon)
    yield from _keyed("Mother block", before["mothers"], after["mothers"], horizon)
    for key in sorted(before.keys() | after.keys()):
        if key in ("crops", "areas", "mothers"):
            continue
        old, new = before.get(key), after.get(key)
        if old != new:
            yield f"{key.replace('_', ' ').capitalize()}: {_what(old, new, horizon)}"


def _keyed(
    what: str, before: list[dict[str, Any]], after: list[dict[str, Any]], horizon: Horizon
) -> Iterator[str]:
    old, new = ({one["key"]: one for one in each} for each in (before, after))
    for key in sorted(old.keys() | new.keys()):
        if key not in old:
            yield f"{what} '{key}' is new"
        elif key not in new:
            yield f"{what} '{key}' is gone"
        else:
            for part in old[key]:
                if old[key][part] != new[key].get(part):
                    how = _what(old[key][part], new[key].get(part), horizon)
                    yield f"{what} '{key}': {part.replace('_', ' ')} {how}"


def _what(old: Any, new: Any, horizon: Horizon) -> str:
    if isinstance(old, int) and isinstance(new, int):
        return f"was {old}, is {new}"
    if _by_week(old, horizon) and _by_week(new, horizon):
        at = [w for w in range(horizon.weeks) if old[w] != new[w]]
        more = f" and {len(at) - 1} more weeks" if len(at) > 1 else ""
        return f"was {old[at[0]]}, is {new[at[0]]} in {horizon.week(at[0])}{more}"
    return "changed"


def _by_week(values: Any, horizon: Horizon) -> bool:
    return (
        isinstance(values, list)
        and len(values) == horizon.weeks
        and all(isinstance(value, int) for value in values)
    )
