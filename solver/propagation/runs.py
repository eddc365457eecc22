"""What follows from starting a protocol in a week? Weeks in each area, work, ready weeks.

A run is (protocol, start week, extra weeks). Everything that follows from it is computed here,
before the solve, so that growth may depend on the season and the model stays linear.
"""

from __future__ import annotations

from dataclasses import dataclass

from solver.propagation.problem import Crop, Problem, Protocol


@dataclass(frozen=True)
class Run:
    """One tray of a protocol, started in `week` and kept `extra` weeks longer at the end.

    `stays` are (area, week of entry, week of exit, places), `minutes` (week, minutes), `plugs`
    (ready week, plugs), all inside the horizon; `cost` is per tray, without the batch.
    """

    crop: str
    protocol: str
    week: int
    extra: int
    ready: int
    cost: int
    stays: tuple[tuple[str, int, int, int], ...]
    minutes: tuple[tuple[int, int], ...]
    plugs: tuple[tuple[int, int], ...]


def runs(problem: Problem, crop: Crop) -> tuple[Run, ...]:
    """Every run of a crop that becomes ready inside the horizon."""
    found = [
        run(problem.weeks, crop.key, protocol, week, extra)
        for protocol in crop.protocols
        for week in range(problem.weeks)
        for extra in range(min(protocol.extra_weeks, problem.weeks) + 1)
    ]
    return tuple(one for one in found if one is not None)


def run(weeks: int, crop: str, protocol: Protocol, week: int, extra: int) -> Run | None:
    """The run, or None if it is not ready inside the horizon or is prolonged without a stage."""
    if extra and not protocol.stages:
        return None
    stays: list[tuple[str, int, int, int]] = []
    minutes: list[tuple[int, int]] = []
    entry = week
    last = len(protocol.stages) - 1
    for position, stage in enumerate(protocol.stages):
        dwell = stage.dwell[min(entry, len(stage.dwell) - 1)]
        leave = entry + dwell + (extra if position == last else 0)
        if leave >= weeks:
            return None
        if stage.minutes:
            minutes.append((entry, stage.minutes))
        if stage.places and leave > entry:
            stays.append((stage.area, entry, leave, stage.places))
        entry = leave
    return Run(
        crop=crop,
        protocol=protocol.key,
        week=week,
        extra=extra,
        ready=entry,
        cost=protocol.tray_cost + extra * protocol.extra_cost,
        stays=tuple(stays),
        minutes=tuple(minutes),
        plugs=tuple(
            (entry + flush, plugs)
            for flush, plugs in enumerate(protocol.plugs)
            if plugs and entry + flush < weeks
        ),
    )
