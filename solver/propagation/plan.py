"""What is started in which week? The propagation plan and its JSON form `propagation-plan/1`."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from solver.form import read_form
from solver.sizes import MOST

FORM = "propagation-plan/1"


@dataclass(frozen=True, order=True)
class Start:
    """How many trays of a protocol start in a week, with how many extra weeks at the end?

    All starts of one protocol and week are one batch. Raises ValueError for negative numbers and
    for no trays.
    """

    protocol: str
    week: int
    extra: int
    trays: int

    def __post_init__(self) -> None:
        if self.week < 0 or self.extra < 0 or self.trays < 1:
            raise ValueError(
                f"Start of {self.protocol!r}: week and extra must be >= 0 and trays >= 1, got "
                f"week {self.week}, extra {self.extra}, trays {self.trays}"
            )

    @staticmethod
    def from_mapping(data: Mapping[str, Any]) -> Start:
        names = [name for name in ("week", "extra", "trays") if name in data]
        numbers = {"extra": 0} | {name: data[name] for name in names}
        for name, value in numbers.items():
            if type(value) is not int or abs(value) > MOST:
                rule = f"{name} must be a whole number of at most {MOST}"
                found = f"got {str(value)[:60]!r}; correct it"
                raise ValueError(f"Start of {data['protocol']!r}: {rule}, {found}")
        return Start(data["protocol"], data["week"], numbers["extra"], data["trays"])

    def as_mapping(self) -> dict[str, Any]:
        return {
            "protocol": self.protocol,
            "week": self.week,
            "extra": self.extra,
            "trays": self.trays,
        }


@dataclass(frozen=True)
class Plan:
    """The starts, with the cost they were judged at and a proven bound (None if not known)."""

    starts: tuple[Start, ...] = ()
    cost: int | None = None
    bound: int | None = None

    @staticmethod
    def from_json(text: str | bytes) -> Plan:
        """Reads `propagation-plan/1`. Raises ValueError where the text is not of that form."""
        try:
            data = read_form(text, FORM, f"Not a {FORM}")
            starts = tuple(Start.from_mapping(start) for start in data["starts"])
            return Plan(starts, _optional(data.get("cost")), _optional(data.get("bound")))
        except (KeyError, TypeError, AttributeError) as fault:
            raise ValueError(f"Not a {FORM}: {fault!r} is missing or of the wrong kind") from fault

    def to_json(self) -> str:
        return json.dumps(
            {
                "form": FORM,
                "starts": [start.as_mapping() for start in self.starts],
                "cost": self.cost,
                "bound": self.bound,
            }
        )

    def batches(self) -> dict[tuple[str, int], int]:
        """Trays of each batch, by (protocol, week), whatever their extra weeks."""
        return batches(self.starts)


def batches(starts: tuple[Start, ...]) -> dict[tuple[str, int], int]:
    """Trays of each batch, by (protocol, week), whatever their extra weeks."""
    trays: dict[tuple[str, int], int] = {}
    for start in starts:
        key = (start.protocol, start.week)
        trays[key] = trays.get(key, 0) + start.trays
    return trays


def _optional(value: Any) -> int | None:
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"Not a {FORM}: a cost or bound must be finite, got {value}; correct it")
    return None if value is None else round(value)
