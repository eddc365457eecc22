"""Random propagation problems of three sizes, tight and seasonal, from a seed.

S is 20 crops by 26 weeks, M 60 by 52, L 200 by 104. The character (seasonal demand with many
empty weeks, dwell that grows in winter, mother plants that rest, little room) was chosen by hand;
nothing in it is a measurement.
"""

from __future__ import annotations

import math
import random

from solver.propagation import Area, Crop, Mother, Problem, Protocol, Stage

SIZES = {"S": (20, 26), "M": (60, 52), "L": (200, 104)}
AREAS = ("strike", "grow on", "harden off", "ready")


def instance(size: str, seed: int) -> Problem:
    """The problem of a size (S, M or L) and a seed."""
    crops, weeks = SIZES[size]
    return random_problem(crops, weeks, seed, name=f"{size}-seed-{seed}")


def random_problem(crops: int, weeks: int, seed: int, name: str = "random") -> Problem:
    """A tight, seasonal problem of any size."""
    chance = random.Random(seed)
    season = chance.randrange(52)
    mothers: list[Mother] = []
    made = [_crop(chance, at, weeks, season, mothers) for at in range(crops)]
    use, minutes = _typical_use(made, weeks)
    areas = []
    for key in AREAS:
        tightness = 0.62 if key != "ready" else 1.2
        room = max(2, round(tightness * use[key]))
        wip = [
            min(room, round(room * max(0.0, 0.9 - 0.2 * week) * chance.uniform(0.5, 1.0)))
            for week in range(weeks)
        ]
        areas.append(Area(key, (room,) * weeks, tuple(wip) if key != "ready" else (0,) * weeks))
    hours = max(60, round(0.55 * minutes))
    return Problem(
        name=name,
        weeks=weeks,
        areas=tuple(areas),
        crops=tuple(made),
        regular_minutes=(hours,) * weeks,
        overtime_minutes=(round(0.35 * hours),) * weeks,
        wip_minutes=tuple(
            round(hours * max(0.0, 0.4 - 0.08 * week) * chance.random()) for week in range(weeks)
        ),
        regular_cost=2500,
        overtime_cost=4500,
        beyond_cost=60000,
        overflow_cost=60000,
        starts_per_week=max(1, round(0.63 * crops)),
        ready_area="ready",
        plugs_per_ready_place=100,
        mothers=tuple(mothers),
    )


def _crop(chance: random.Random, at: int, weeks: int, season: int, mothers: list[Mother]) -> Crop:
    cells = chance.choice((50, 72, 84, 104, 128))
    alive = chance.uniform(0.65, 0.95)
    plugs = round(cells * alive)
    flush = chance.random() < 0.5
    made = (round(plugs * 0.66), round(plugs * 0.25), round(plugs * 0.09)) if flush else (plugs,)
    scale = math.exp(chance.uniform(4.6, 8.3))
    peak = season + chance.uniform(-8, 8)
    demand = []
    for week in range(weeks):
        wave = 0.12 + max(0.0, math.cos(2 * math.pi * (week - peak) / 52)) ** 2
        some = chance.random() < 0.6
        demand.append(round(scale * wave * chance.uniform(0.4, 1.8)) if some else 0)
    shortage = chance.randrange(150, 500) * 100
    stages = _stages(chance, weeks, season)
    first = _first_ready(stages)
    ready = tuple(
        round(demand[week] * chance.uniform(1.0, 1.1)) if week < first else 0
        for week in range(weeks)
    )
    mother = None
    if chance.random() < 0.5:
        mother = f"mother-{at:03d}"
        quota = round(cells * max(5.0, scale / plugs * chance.uniform(0.6, 1.3)))
        rest = season + 26
        mothers.append(
            Mother(
                mother,
                tuple(0 if (week - rest) % 52 < 8 else quota for week in range(weeks)),
            )
        )
    protocol = Protocol(
        key=f"crop-{at:03d}/a",
        tray_cost=chance.randrange(30, 61) * 1000,
        batch_cost=(chance.randrange(80, 200) * 1000,) * weeks,
        batch_minutes=chance.randrange(15, 110),
        smallest_batch=chance.randrange(3, 10),
        plugs=made,
        stages=stages,
        mother=mother,
        propagules=cells if mother else 0,
        extra_weeks=chance.choice((0, 2)),
        extra_cost=1500,
    )
    return Crop(
        key=f"crop-{at:03d}",
        demand=tuple(demand),
        ready=ready,
        life=chance.randrange(2, 11),
        lateness=3,
        shortage_cost=shortage,
        late_cost=round(shortage * 0.12),
        store_cost=round(shortage * 0.0024),
        discard_cost=500,
        protocols=(protocol,),
    )


def _stages(chance: random.Random, weeks: int, season: int) -> tuple[Stage, ...]:
    """Two or three stages whose dwell grows in the dark half of the year."""
    found = []
    winter = season + 30
    for at in range(chance.choice((2, 3))):
        base = chance.randrange(2, 4) if at < 2 else chance.randrange(1, 3)
        slow = chance.uniform(0.3, 1.6)
        dwell = tuple(
            round(base * (1 + slow * max(0.0, math.cos(2 * math.pi * (week - winter) / 52))))
            for week in range(weeks)
        )
        places = chance.choice((1, 1, 2)) if at == 1 else 1
        minutes = chance.randrange(24, 48) if at == 0 else chance.randrange(4, 14)
        found.append(Stage(AREAS[at], places, minutes, dwell))
    return tuple(found)


def _first_ready(stages: tuple[Stage, ...]) -> int:
    week = 0
    for stage in stages:
        week += stage.dwell[min(week, len(stage.dwell) - 1)]
    return week


def _typical_use(crops: list[Crop], weeks: int) -> tuple[dict[str, float], float]:
    """Places and minutes of a good week, if all demand were raised just in time."""
    use = {key: [0.0] * weeks for key in AREAS}
    minutes = [0.0] * weeks
    for crop in crops:
        protocol = crop.protocols[0]
        for wanted in range(weeks):
            trays = max(0, crop.demand[wanted] - crop.ready[wanted]) / sum(protocol.plugs)
            at = wanted
            for stage in reversed(protocol.stages):
                dwell = stage.dwell[max(0, at)]
                for week in range(max(0, at - dwell), max(0, at)):
                    use[stage.area][week] += trays * stage.places
                at -= dwell
                minutes[max(0, at)] += trays * stage.minutes
            use["ready"][wanted] += trays * sum(protocol.plugs) / 100 * 0.5
    high = max(1, round(0.15 * weeks))
    return {k: sum(sorted(v)[-high:]) / high for k, v in use.items()}, sum(
        sorted(minutes)[-high:]
    ) / high
