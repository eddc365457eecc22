"""Propagation problems for tests: small random ones, and the published lot-sizing example."""

from __future__ import annotations

import random

from solver.propagation import Area, Crop, Mother, Problem, Protocol, Stage

DEMAND = (69, 29, 36, 61, 61, 26, 34, 67, 45, 67, 79, 56)
SETUP = (85, 102, 102, 101, 98, 114, 105, 86, 119, 110, 98, 114)


def wagner_whitin(capacity: int = 1_000_000, life: int = 12) -> Problem:
    """Wagner & Whitin (1958), Management Science 5:89-96, table 1; holding costs 1 a period."""
    none = (0,) * 12
    make = Protocol(
        key="make",
        tray_cost=0,
        batch_cost=SETUP,
        batch_minutes=0,
        smallest_batch=1,
        plugs=(1,),
        stages=(Stage("store", 0, 1, none),),
    )
    item = Crop("item", DEMAND, none, life, 0, 1_000_000, 0, 1, 0, (make,))
    return Problem(
        name="Wagner & Whitin 1958",
        weeks=12,
        areas=(Area("store", (10**9,) * 12, none),),
        crops=(item,),
        regular_minutes=(capacity,) * 12,
        overtime_minutes=none,
        wip_minutes=none,
        regular_cost=0,
        overtime_cost=0,
        beyond_cost=1_000_000,
        overflow_cost=0,
        starts_per_week=99,
        ready_area="store",
        plugs_per_ready_place=1,
    )


def small(seed: int, crops: int = 2, weeks: int = 5) -> Problem:
    """A small random problem in which everything that the model knows can matter."""
    chance = random.Random(seed)
    mothers = (Mother("block", tuple(chance.choice((0, 3, 6, 9)) for _ in range(weeks))),)
    made = tuple(_crop(chance, at, weeks) for at in range(crops))

    def weekly(low: int, high: int) -> tuple[int, ...]:
        return tuple(chance.randint(low, high) for _ in range(weeks))

    return Problem(
        name=f"small {seed}",
        weeks=weeks,
        areas=(
            Area("strike", weekly(1, 5), weekly(0, 1)),
            Area("ready", weekly(0, 2), weekly(0, 1)),
        ),
        crops=made,
        regular_minutes=weekly(0, 30),
        overtime_minutes=weekly(0, 20),
        wip_minutes=weekly(0, 5),
        regular_cost=2,
        overtime_cost=5,
        beyond_cost=40,
        overflow_cost=chance.choice((0, 90, 400)),
        starts_per_week=chance.choice((1, 2)),
        ready_area="ready",
        plugs_per_ready_place=chance.choice((2, 5)),
        mothers=mothers,
    )


def _crop(chance: random.Random, at: int, weeks: int) -> Crop:
    stages = [Stage("strike", chance.choice((1, 2)), chance.randint(1, 9), _dwell(chance, weeks))]
    if chance.random() < 0.3:
        stages.append(Stage("ready", 1, chance.randint(0, 3), (1,) * weeks))
    uses_block = chance.random() < 0.5
    protocol = Protocol(
        key=f"crop {at} seed",
        tray_cost=chance.randint(5, 40),
        batch_cost=tuple(chance.randint(0, 90) for _ in range(weeks)),
        batch_minutes=chance.randint(0, 6),
        smallest_batch=chance.choice((0, 1, 2)),
        plugs=chance.choice(((3,), (2, 1), (0, 4), (4, 0, 1))),
        stages=tuple(stages),
        mother="block" if uses_block else None,
        propagules=3 if uses_block else 0,
        extra_weeks=chance.choice((0, 0, 1)),
        extra_cost=chance.randint(0, 5),
    )
    return Crop(
        key=f"crop {at}",
        demand=tuple(chance.choice((0, 2, 4, 7)) for _ in range(weeks)),
        ready=tuple(chance.choice((0, 0, 0, 3)) for _ in range(weeks)),
        life=chance.choice((1, 2, 3)),
        lateness=chance.choice((0, 1)),
        shortage_cost=chance.choice((20, 60, 150)),
        late_cost=chance.randint(0, 15),
        store_cost=chance.randint(0, 3),
        discard_cost=chance.randint(0, 4),
        protocols=(protocol,),
    )


def _dwell(chance: random.Random, weeks: int) -> tuple[int, ...]:
    return tuple(chance.choice((0, 1, 1, 2)) for _ in range(weeks))
