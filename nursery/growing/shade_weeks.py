"""In which weeks are how many shade layers on, at the least cost? Pure: numpy in and out.

Every week has a least number of layers that its crops need. More may be on, since putting layers on
and off is work and a day out with ladders, and every layer that is on takes light. The weeks are
chosen exactly, by a dynamic programme: the least cost of the first weeks with k layers on in the
last of them follows from those of one week less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nursery.climate import Floats
from nursery.errors import Fault

Whole = NDArray[np.int64]

MANY_YEARS = 20
"""With fewer weather years than this a week is judged by its neighbours' weather as well."""


@dataclass(frozen=True, slots=True)
class Costs:
    """What does it cost, in cents: a day with a change, a layer moved, a layer on for a week?"""

    change: float
    layer: float
    light: float

    def __post_init__(self) -> None:
        if min(self.change, self.layer, self.light) < 0:
            found = (self.change, self.layer, self.light)
            raise Fault("Shade", "costs must be >= 0", found, "correct sheet Shade")


def chances_under(
    t_min: Floats, t_max: Floats, limit_c: float, shade_c: float, most: int
) -> Floats:
    """In which share of weather years is no day of a week at the limit or above? [weeks, most + 1]

    By week and by the number of layers that are on. `t_min` and `t_max` are what is felt without
    any, °C, [years, 7 x weeks]; each layer takes `shade_c` off the maximum, which never falls under
    the minimum. With fewer than `MANY_YEARS` years the weeks on both sides count as years too.
    """
    years, days = t_max.shape
    if days % 7 or t_min.shape != t_max.shape:
        rule = "felt minima and maxima are needed for whole weeks"
        raise Fault("Shade", rule, (t_min.shape, t_max.shape), "give seven days a week")
    found = np.empty((days // 7, most + 1))
    for layers in range(most + 1):
        felt = np.maximum(t_max - layers * shade_c, t_min)
        under = felt.reshape(years, -1, 7).max(axis=2) < limit_c
        share = under.mean(axis=0)
        if years < MANY_YEARS:
            wide = np.concatenate([share[:1], share, share[-1:]])
            share = (wide[:-2] + wide[1:-1] + wide[2:]) / 3
        found[:, layers] = share
    return found


def needed_layers(chances: Floats, stated: float) -> tuple[Whole, NDArray[np.bool_]]:
    """How many layers does each week need, and do they suffice? Both [weeks].

    The fewest that keep the limit with the stated chance; all of them where even they do not.
    """
    enough = chances >= stated - 1e-9
    suffices = np.asarray(enough.any(axis=1))
    least = np.where(suffices, enough.argmax(axis=1), chances.shape[1] - 1)
    return least.astype(np.int64), suffices


def cheapest_layers(
    needed: Sequence[int] | Whole, most: int, before: int, costs: Costs
) -> tuple[tuple[int, ...], float]:
    """How many layers are on in each week, at the least cost in cents? Exact.

    At least `needed`, at most `most`; `before` are on now. Of two ways of one cost the one with
    fewer layers in the last weeks is taken. Raises Fault where a week needs more than there are.
    """
    least = np.asarray(needed, dtype=np.int64)
    if least.size and not (least.min() >= 0 and least.max() <= most):
        raise Fault("Shade", f"a week needs 0 to {most} layers", least.tolist(), "add layers")
    levels = np.arange(most + 1)
    start = abs(levels - before)
    cost = costs.change * (start > 0) + costs.layer * start
    moved = np.abs(levels[:, None] - levels[None, :])
    step = costs.change * (moved > 0) + costs.layer * moved
    came_from: list[Whole] = []
    for week, need in enumerate(least):
        if week:
            through = cost[:, None] + step
            came_from.append(through.argmin(axis=0))
            cost = through.min(axis=0)
        cost = np.where(levels >= need, cost + costs.light * levels, np.inf)
    if not least.size:
        return (), 0.0
    at = int(cost.argmin())
    chosen = [at]
    for back in reversed(came_from):
        chosen.append(int(back[chosen[-1]]))
    return tuple(reversed(chosen)), float(cost[at])


def cost_of(layers: Sequence[int], before: int, costs: Costs) -> float:
    """What does a calendar cost, in cents? Written without the programme that finds it."""
    total, last = 0.0, before
    for now in layers:
        if now != last:
            total += costs.change + costs.layer * abs(now - last)
        total += costs.light * now
        last = now
    return total
