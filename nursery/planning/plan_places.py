"""How many tray places may a plan use in each week, kind by kind of growing area?

Those of all benches of the kind, without benches that are out of use on any day of the week, less
- *cleaning*: a place that a batch leaves stands empty for its area's cleaning days. Of places whose
  trays stay D weeks, 7 D / (7 D + days) can be filled; D is the mean stay of the protocols' stages
  (of ready plugs: the life of the crop) that enter in that week. Which place is cleaned on which
  day is the bench map's business;
- *frost*: trays in the frames are covered or brought in. In weeks in which the frames feel frost
  (`FROST_C`) in at least the share `FROST_CHANCE` of the weather years, the site's stated share of
  the frames' places is kept free in the growing house, else in the propagation house.
Neither takes places that work in progress stands on already. A kind that a stage needs and the
nursery does not list is not limited, and a sentence says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from sqlmodel import Session, col, select

from nursery.clocks import NEVER
from nursery.crop import AreaKind, Stage
from nursery.growing.air import Air
from nursery.growing.hardening import FROST_C
from nursery.growing_area import Bench, GrowingArea, Site
from nursery.weeks import Horizon, Week
from solver.propagation import Area
from solver.propagation import Crop as PlannedCrop

NO_LIMIT = 1_000_000

FROST_CHANCE = 0.2
"""Share of weather years with a frost night from which places are kept free (an estimate)."""

_INDOORS = (AreaKind.GROWING, AreaKind.PROPAGATION)
_Places = dict[AreaKind, list[float]]


def growing_areas(
    session: Session,
    here: Site,
    air: Air,
    horizon: Horizon,
    crops: Sequence[PlannedCrop],
    wip: Mapping[AreaKind, list[int]],
) -> tuple[tuple[Area, ...], list[str]]:
    """Which areas has the plan, and what must the lead know of their places?"""
    benches, usable = _benches(session, horizon, crops)
    reserve, told = _frost_reserve(here, air, horizon, benches)
    named = {s.area for c in crops for p in c.protocols for s in p.stages}
    used = {s.area for c in crops for p in c.protocols for s in p.stages if s.places}
    found: list[Area] = []
    for kind in AreaKind:
        taken = wip[kind]
        wanted = kind.value in used or kind is AreaKind.READY or any(taken)
        if kind not in benches and kind is not AreaKind.NONE and wanted:
            told.append(
                f"No growing area of the kind '{kind}' is listed: its places are not limited"
            )
        if kind not in benches and not wanted and kind.value not in named:
            continue
        there = [NO_LIMIT] * horizon.weeks
        if kind in benches:
            kept = reserve.get(kind, [0] * horizon.weeks)
            there = [
                max(int(free + 1e-9) - less, min(int(every), standing))
                for free, less, every, standing in zip(
                    usable[kind], kept, benches[kind], taken, strict=True
                )
            ]
        found.append(Area(kind.value, tuple(max(0, n) for n in there), tuple(taken)))
    return tuple(found), told


def places_a_tray(stage: Stage) -> int:
    """How many tray places does one tray take in this stage?"""
    if stage.area_kind is AreaKind.NONE:
        return 0
    return stage.tray_format.places if stage.tray_format is not None else 1


def _benches(
    session: Session, horizon: Horizon, crops: Sequence[PlannedCrop]
) -> tuple[_Places, _Places]:
    """Places of all benches in use, and those of them that can be filled between cleanings."""
    rows = session.exec(
        select(Bench, GrowingArea).join(GrowingArea, col(Bench.area_id) == col(GrowingArea.id))
    ).all()
    every: _Places = {}
    usable: _Places = {}
    stays = {area.kind: mean_stay(area.kind, horizon.weeks, crops) for _, area in rows}
    for bench, area in rows:
        held = every.setdefault(area.kind, [0.0] * horizon.weeks)
        free = usable.setdefault(area.kind, [0.0] * horizon.weeks)
        for index, week in enumerate(horizon.all_weeks()):
            if _out_of_use(bench, week):
                continue
            held[index] += bench.places
            free[index] += bench.places * _filled(stays[area.kind][index], area.cleaning_days)
    return every, usable


def mean_stay(kind: AreaKind, weeks: int, crops: Sequence[PlannedCrop]) -> list[float | None]:
    """How many weeks do trays that enter an area of this kind stay there, by week of entry?

    The mean over the stages that do; None where nothing enters, or nothing would ever leave.
    """
    if kind is AreaKind.READY and crops:
        return [sum(crop.life for crop in crops) / len(crops)] * weeks
    stages = [s for c in crops for p in c.protocols for s in p.stages if s.area == kind.value]
    found: list[float | None] = []
    for week in range(weeks):
        dwell = [stage.dwell[week] for stage in stages]
        there = [number for number in dwell if 0 < number < NEVER]
        found.append(sum(there) / len(there) if there else None)
    return found


def _filled(stay: float | None, cleaning_days: int) -> float:
    """Which share of the places is filled, if each stands empty for cleaning after each stay?"""
    return 1.0 if stay is None else 7 * stay / (7 * stay + cleaning_days)


def _frost_reserve(
    here: Site, air: Air, horizon: Horizon, benches: _Places
) -> tuple[dict[AreaKind, list[int]], list[str]]:
    frames = benches.get(AreaKind.FRAME)
    indoors = next((kind for kind in _INDOORS if kind in benches), None)
    if frames is None or not here.frost_reserve:
        return {}, []
    frosty = frost_weeks(air, horizon)
    if not frosty:
        return {}, []
    if indoors is None:
        return {}, ["No house is listed into which trays could be brought from the frames in frost"]
    kept = [
        math.ceil(here.frost_reserve * frames[week] - 1e-9) if week in frosty else 0
        for week in range(horizon.weeks)
    ]
    first, last = horizon.week(min(frosty)), horizon.week(max(frosty))
    return {indoors: kept}, [
        f"{max(kept)} places of the {indoors} are kept free for trays from the frames in "
        f"{len(frosty)} weeks with frost, the first {first}, the last {last}"
    ]


def frost_weeks(air: Air, horizon: Horizon) -> frozenset[int]:
    """In which weeks do the frames feel frost often enough to keep places free indoors?"""
    felt = [air.areas[i] for i in air.of_kind.get(AreaKind.FRAME, ())]
    found = set()
    for index, week in enumerate(horizon.all_weeks()):
        first = air.day(week.monday())
        for its in felt:
            nights = its.t_min[:, first : first + 7]
            if nights.size and np.mean((nights <= FROST_C).any(axis=1)) >= FROST_CHANCE:
                found.add(index)
    return frozenset(found)


def _out_of_use(bench: Bench, week: Week) -> bool:
    if bench.out_from is None and bench.out_until is None:
        return False
    starts = bench.out_from is None or bench.out_from <= week.sunday()
    return starts and (bench.out_until is None or bench.out_until >= week.monday())
