"""Can the numbers of a propagation problem be used? Each fault names the thing, rule and value."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from solver.propagation.plan import Start
    from solver.propagation.problem import Crop, Problem, Protocol


def check(problem: Problem) -> None:
    """Raises ValueError at the first number that cannot be used."""
    if problem.weeks < 0:
        raise ValueError(f"Plan: weeks must be >= 0, got {problem.weeks}")
    if problem.plugs_per_ready_place < 1:
        raise ValueError(
            f"Ready area: plugs per place must be >= 1, got {problem.plugs_per_ready_place}"
        )
    _unique("areas", (area.key for area in problem.areas))
    _unique("mother blocks", (mother.key for mother in problem.mothers))
    _unique("crops", (crop.key for crop in problem.crops))
    _unique("protocols", (p.key for crop in problem.crops for p in crop.protocols))
    for area in problem.areas:
        _weekly(f"Area {area.key!r}: places", area.places, problem.weeks)
        _weekly(f"Area {area.key!r}: work in progress", area.wip_places, problem.weeks)
    for mother in problem.mothers:
        _weekly(f"Mother block {mother.key!r}: quota", mother.quota, problem.weeks)
    _weekly("Regular minutes", problem.regular_minutes, problem.weeks)
    _weekly("Overtime minutes", problem.overtime_minutes, problem.weeks)
    _weekly("Work in progress minutes", problem.wip_minutes, problem.weeks)
    _costs(problem)
    areas = {area.key for area in problem.areas}
    mothers = {mother.key for mother in problem.mothers}
    if problem.ready_area not in areas:
        raise ValueError(f"Ready area {problem.ready_area!r} is not among the areas")
    for crop in problem.crops:
        _crop(crop, problem.weeks)
        for protocol in crop.protocols:
            _protocol(protocol, problem.weeks, areas, mothers)
    _starts(problem)


def _costs(problem: Problem) -> None:
    for name, value in (
        ("regular cost", problem.regular_cost),
        ("overtime cost", problem.overtime_cost),
        ("beyond cost", problem.beyond_cost),
        ("overflow cost", problem.overflow_cost),
        ("starts per week", problem.starts_per_week),
        ("frozen weeks", problem.frozen_weeks),
        ("change cost", problem.change_cost),
    ):
        _at_least(f"Plan: {name}", value, 0)
    if not problem.regular_cost <= problem.overtime_cost <= problem.beyond_cost:
        raise ValueError(
            "Plan: cost of a minute must rise from regular over overtime to beyond, got "
            f"{problem.regular_cost}, {problem.overtime_cost}, {problem.beyond_cost}"
        )


def _crop(crop: Crop, weeks: int) -> None:
    name = f"Crop {crop.key!r}"
    _weekly(f"{name}: demand", crop.demand, weeks)
    _weekly(f"{name}: ready", crop.ready, weeks)
    _at_least(f"{name}: life", crop.life, 1)
    for what in ("lateness", "shortage_cost", "late_cost", "store_cost", "discard_cost"):
        _at_least(f"{name}: {what.replace('_', ' ')}", getattr(crop, what), 0)


def _protocol(protocol: Protocol, weeks: int, areas: set[str], mothers: set[str]) -> None:
    name = f"Protocol {protocol.key!r}"
    for what in ("tray_cost", "batch_minutes", "smallest_batch", "propagules"):
        _at_least(f"{name}: {what.replace('_', ' ')}", getattr(protocol, what), 0)
    for what in ("extra_weeks", "extra_cost"):
        _at_least(f"{name}: {what.replace('_', ' ')}", getattr(protocol, what), 0)
    _weekly(f"{name}: batch cost", protocol.batch_cost, weeks)
    for plugs in protocol.plugs:
        _at_least(f"{name}: plugs a tray", plugs, 0)
    if protocol.mother is not None and protocol.mother not in mothers:
        raise ValueError(f"{name}: mother block {protocol.mother!r} is not among the mother blocks")
    for stage in protocol.stages:
        if stage.area not in areas:
            raise ValueError(f"{name}: area {stage.area!r} is not among the areas")
        _at_least(f"{name}: places of a stage", stage.places, 0)
        _at_least(f"{name}: minutes of a stage", stage.minutes, 0)
        if weeks and not stage.dwell:
            raise ValueError(f"{name}: a stage needs its dwell by week of entry, got none")
        for dwell in stage.dwell:
            _at_least(f"{name}: dwell of a stage", dwell, 0)


def _starts(problem: Problem) -> None:
    known = {p.key: p for crop in problem.crops for p in crop.protocols}
    for name, starts in (("Fixed", problem.fixed), ("Accepted", problem.accepted)):
        for start in starts:
            _known(name, start, known, problem.weeks)


def _known(name: str, start: Start, known: dict[str, Protocol], weeks: int) -> None:
    if start.protocol not in known:
        raise ValueError(f"{name} start: protocol {start.protocol!r} is not among the protocols")
    if start.week >= weeks:
        raise ValueError(
            f"{name} start of {start.protocol!r}: week must be < {weeks}, got {start.week}"
        )


def _weekly(name: str, values: tuple[int, ...], weeks: int) -> None:
    if len(values) != weeks:
        raise ValueError(f"{name} must have one value for each of {weeks} weeks, got {len(values)}")
    for week, value in enumerate(values):
        _at_least(f"{name} in week {week}", value, 0)


def _at_least(name: str, value: int, least: int) -> None:
    if value < least:
        raise ValueError(f"{name} must be >= {least}, got {value}")


def _unique(name: str, keys: Iterable[str]) -> None:
    seen: set[str] = set()
    for key in keys:
        if key in seen:
            raise ValueError(f"Two {name} have the key {key!r}; keys must differ")
        seen.add(key)
