"""What is to be raised, where may it stand, and what does it cost? The propagation problem.

Time is whole weeks 0..weeks-1, all numbers are integers, a cost is in hundredths of a cent. The
JSON form is `propagation-problem/1`: `Problem.to_json` writes it, `Problem.from_json` reads it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from solver.form import read_form
from solver.propagation.plan import Start
from solver.sizes import MOST

FORM = "propagation-problem/1"
MOST_WEEKS = 10_000
"""More weeks are a slip: each list by week is as long."""
Weeks = tuple[int, ...]


@dataclass(frozen=True)
class Stage:
    """Where does a tray stand, for how long, and what work is it at its entry?

    `places` and `minutes` are per tray started; `dwell[w]` is in whole weeks by week of entry.
    """

    area: str
    places: int
    minutes: int
    dwell: Weeks


@dataclass(frozen=True)
class Protocol:
    """How is a crop raised? Costs per tray and batch, stages, plugs a tray by flush week.

    `plugs[k]` of a tray become ready k weeks after the exit of the last stage; `extra_weeks` is
    how long the last stage may be prolonged; `propagules` a tray are taken from `mother`.
    """

    key: str
    tray_cost: int
    batch_cost: Weeks
    batch_minutes: int
    smallest_batch: int
    plugs: Weeks
    stages: tuple[Stage, ...]
    mother: str | None = None
    propagules: int = 0
    extra_weeks: int = 0
    extra_cost: int = 0


@dataclass(frozen=True)
class Crop:
    """Who wants how many plugs when, and how long are they saleable? All lists are by week.

    Plugs ready in week r serve weeks r..r+life-1; demand of week d may be met as late as
    d+lateness. Costs are per plug, or per plug and week (`late_cost`, `store_cost`).
    """

    key: str
    demand: Weeks
    ready: Weeks
    life: int
    lateness: int
    shortage_cost: int
    late_cost: int
    store_cost: int
    discard_cost: int
    protocols: tuple[Protocol, ...]


@dataclass(frozen=True)
class Area:
    """How many tray places has a growing area in each week, and how many does work in progress
    take of them?"""

    key: str
    places: Weeks
    wip_places: Weeks


@dataclass(frozen=True)
class Mother:
    """How many propagules does a block of mother plants yield in each week?"""

    key: str
    quota: Weeks


@dataclass(frozen=True)
class Problem:
    """The whole question of one propagation plan.

    Beyond the JSON form of the frozen instances (where these are absent, and mean "none"):
    `fixed` batches are already accepted and started: their trays (all extra weeks together) stand
    as they are; in weeks under `frozen_weeks` nothing else may start; each batch of `accepted`
    whose trays change costs `change_cost`.

    Raises ValueError, naming the thing, the rule and the value, where a number cannot be used.
    """

    name: str
    weeks: int
    areas: tuple[Area, ...]
    crops: tuple[Crop, ...]
    regular_minutes: Weeks
    overtime_minutes: Weeks
    wip_minutes: Weeks
    regular_cost: int
    overtime_cost: int
    beyond_cost: int
    overflow_cost: int
    starts_per_week: int
    ready_area: str
    plugs_per_ready_place: int
    mothers: tuple[Mother, ...] = ()
    cost_unit: str = "hundredth of a cent"
    fixed: tuple[Start, ...] = ()
    frozen_weeks: int = 0
    accepted: tuple[Start, ...] = ()
    change_cost: int = 0

    def __post_init__(self) -> None:
        from solver.propagation.checks import check

        check(self)

    @staticmethod
    def from_json(text: str | bytes) -> Problem:
        """Reads `propagation-problem/1`. Raises ValueError where the text is not of that form."""
        try:
            return _problem(read_form(text, FORM, f"Not a {FORM}"))
        except (KeyError, TypeError, AttributeError) as fault:
            raise ValueError(f"Not a {FORM}: {fault!r} is missing or of the wrong kind") from fault

    def to_json(self) -> str:
        """Writes `propagation-problem/1`; optional parts are left out where there are none."""
        return json.dumps(_as_mapping(self))

    def protocols(self) -> Mapping[str, Protocol]:
        """All protocols by key."""
        return {protocol.key: protocol for crop in self.crops for protocol in crop.protocols}


def _whole(value: Any) -> int:
    wrong = isinstance(value, bool) or not isinstance(value, int | float)
    if wrong or not abs(value) <= MOST or int(value) != value:
        rule = f"a whole number of at most {MOST} is wanted"
        raise ValueError(f"Not a {FORM}: {rule}, got {str(value)[:60]!r}; correct it")
    return int(value)


def _weeks(values: Any) -> Weeks:
    return tuple(_whole(value) for value in values)


def _problem(data: Mapping[str, Any]) -> Problem:
    weeks = _whole(data["weeks"])
    if not 0 <= weeks <= MOST_WEEKS:
        found = f"got {weeks}; plan fewer"
        raise ValueError(f"Not a {FORM}: weeks must be in 0..{MOST_WEEKS}, {found}")
    none = [0] * weeks
    wip = data.get("wip_places", {})
    return Problem(
        name=data["name"],
        weeks=weeks,
        cost_unit=data.get("cost_unit", "hundredth of a cent"),
        areas=tuple(
            Area(area["key"], _weeks(area["places"]), _weeks(wip.get(area["key"], none)))
            for area in data["areas"]
        ),
        overflow_cost=_whole(data["overflow_cost"]),
        ready_area=data["ready_area"],
        plugs_per_ready_place=_whole(data["plugs_per_ready_place"]),
        regular_minutes=_weeks(data["regular_minutes"]),
        overtime_minutes=_weeks(data["overtime_minutes"]),
        wip_minutes=_weeks(data["wip_minutes"]),
        regular_cost=_whole(data["regular_cost"]),
        overtime_cost=_whole(data["overtime_cost"]),
        beyond_cost=_whole(data["beyond_cost"]),
        starts_per_week=_whole(data["starts_per_week"]),
        mothers=tuple(Mother(m["key"], _weeks(m["quota"])) for m in data["mothers"]),
        crops=tuple(_crop(crop, weeks) for crop in data["crops"]),
        fixed=tuple(Start.from_mapping(start) for start in data.get("fixed", ())),
        frozen_weeks=_whole(data.get("frozen_weeks", 0)),
        accepted=tuple(Start.from_mapping(start) for start in data.get("accepted", ())),
        change_cost=_whole(data.get("change_cost", 0)),
    )


def _crop(data: Mapping[str, Any], weeks: int) -> Crop:
    return Crop(
        key=data["key"],
        demand=_weeks(data["demand"]),
        ready=_weeks(data["ready"]),
        life=_whole(data["life"]),
        lateness=_whole(data["lateness"]),
        shortage_cost=_whole(data["shortage_cost"]),
        late_cost=_whole(data["late_cost"]),
        store_cost=_whole(data["store_cost"]),
        discard_cost=_whole(data["discard_cost"]),
        protocols=tuple(_protocol(protocol, weeks) for protocol in data["protocols"]),
    )


def _protocol(data: Mapping[str, Any], weeks: int) -> Protocol:
    batch_cost = data["batch_cost"]
    return Protocol(
        key=data["key"],
        tray_cost=_whole(data["tray_cost"]),
        batch_cost=_weeks(batch_cost)
        if isinstance(batch_cost, list)
        else (_whole(batch_cost),) * weeks,
        batch_minutes=_whole(data["batch_minutes"]),
        smallest_batch=_whole(data["smallest_batch"]),
        plugs=_weeks(data["plugs"]),
        stages=tuple(
            Stage(s["area"], _whole(s["places"]), _whole(s["minutes"]), _weeks(s["dwell"]))
            for s in data["stages"]
        ),
        mother=data["mother"],
        propagules=_whole(data["propagules"]),
        extra_weeks=_whole(data["extra_weeks"]),
        extra_cost=_whole(data["extra_cost"]),
    )


def _as_mapping(problem: Problem) -> dict[str, Any]:
    data: dict[str, Any] = {
        "form": FORM,
        "name": problem.name,
        "weeks": problem.weeks,
        "cost_unit": problem.cost_unit,
        "areas": [{"key": area.key, "places": list(area.places)} for area in problem.areas],
        "overflow_cost": problem.overflow_cost,
        "ready_area": problem.ready_area,
        "plugs_per_ready_place": problem.plugs_per_ready_place,
        "wip_places": {area.key: list(area.wip_places) for area in problem.areas},
        "regular_minutes": list(problem.regular_minutes),
        "overtime_minutes": list(problem.overtime_minutes),
        "wip_minutes": list(problem.wip_minutes),
        "regular_cost": problem.regular_cost,
        "overtime_cost": problem.overtime_cost,
        "beyond_cost": problem.beyond_cost,
        "starts_per_week": problem.starts_per_week,
        "mothers": [{"key": m.key, "quota": list(m.quota)} for m in problem.mothers],
        "crops": [_crop_mapping(crop) for crop in problem.crops],
    }
    if problem.fixed:
        data["fixed"] = [start.as_mapping() for start in problem.fixed]
    if problem.frozen_weeks:
        data["frozen_weeks"] = problem.frozen_weeks
    if problem.accepted:
        data["accepted"] = [start.as_mapping() for start in problem.accepted]
        data["change_cost"] = problem.change_cost
    return data


def _crop_mapping(crop: Crop) -> dict[str, Any]:
    return {
        "key": crop.key,
        "life": crop.life,
        "lateness": crop.lateness,
        "shortage_cost": crop.shortage_cost,
        "late_cost": crop.late_cost,
        "store_cost": crop.store_cost,
        "discard_cost": crop.discard_cost,
        "demand": list(crop.demand),
        "ready": list(crop.ready),
        "protocols": [_protocol_mapping(protocol) for protocol in crop.protocols],
    }


def _protocol_mapping(protocol: Protocol) -> dict[str, Any]:
    costs = set(protocol.batch_cost)
    return {
        "key": protocol.key,
        "tray_cost": protocol.tray_cost,
        "batch_cost": costs.pop() if len(costs) == 1 else list(protocol.batch_cost),
        "batch_minutes": protocol.batch_minutes,
        "smallest_batch": protocol.smallest_batch,
        "plugs": list(protocol.plugs),
        "stages": [
            {"area": s.area, "places": s.places, "minutes": s.minutes, "dwell": list(s.dwell)}
            for s in protocol.stages
        ],
        "extra_weeks": protocol.extra_weeks,
        "extra_cost": protocol.extra_cost,
        "mother": protocol.mother,
        "propagules": protocol.propagules,
    }
