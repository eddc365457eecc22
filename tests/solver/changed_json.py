"""One change of JSON data: a value put in, taken out, or told twice."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Data = dict[str, Any]


def put(*path: Any, to: object) -> Callable[[Data], None]:
    def change(data: Data) -> None:
        at: Any = data
        for key in path[:-1]:
            at = at[key]
        at[path[-1]] = to

    return change


def drop(*path: Any) -> Callable[[Data], None]:
    def change(data: Data) -> None:
        at: Any = data
        for key in path[:-1]:
            at = at[key]
        del at[path[-1]]

    return change


def twice(*path: Any) -> Callable[[Data], None]:
    def change(data: Data) -> None:
        at: Any = data
        for key in path:
            at = at[key]
        at.append(at[0])

    return change
