"""Invented dispatch problems of any size, from a seed."""

from __future__ import annotations

import numpy as np

from solver.dispatching import Line, Lot, Order, Pool, Problem

# Ship days are Monday to Wednesday: a parcel of Thursday would spend the weekend in a depot.
_WEEKDAYS = (0, 1, 2)
SIZES = {"S": (300, 30, 15), "M": (2_000, 45, 40), "L": (10_000, 60, 120)}


def season(orders: int, days: int, pools: int, seed: int, name: str = "") -> Problem:
    """A season's open orders: lots come ready over the weeks, a hot week is closed for many."""
    rng = np.random.default_rng(seed)
    hot = int(rng.integers(days // 4, days // 2))
    stock = [_pool(rng, p, days, 15 * orders // pools) for p in range(pools)]
    waiting = [_order(rng, o, days, pools, hot) for o in range(orders)]
    shippable = [day for day in range(days) if day % 7 in _WEEKDAYS]
    a_day = round(2.0 * sum(order.minutes for order in waiting) / len(shippable))
    return Problem(
        days=days,
        pools=tuple(stock),
        orders=tuple(waiting),
        minutes=(a_day,) * days,
        overload_cost=60,
        late_cost=80,
        unshipped_cost=2500,
        re_date_cost=150,
        age_cost=1,
        name=name or f"{orders} orders, seed {seed}",
    )


def sized(size: str, seed: int) -> Problem:
    """A problem of size S, M or L."""
    orders, days, pools = SIZES[size]
    return season(orders, days, pools, seed, f"{size} seed {seed}")


def _pool(rng: np.random.Generator, number: int, days: int, plugs: int) -> Pool:
    lots = []
    for n in range(int(rng.integers(4, 9))):
        ready = 0 if n == 0 else int(rng.integers(0, days * 2 // 3))
        last_sale = min(days - 1, ready + int(rng.integers(14, 36)))
        share = float(rng.uniform(0.5, 1.5)) * plugs * 1.5 / 6
        lots.append(Lot(f"lot-{number:03}-{n}", ready, last_sale, max(1, round(share))))
    return Pool(f"pool-{number:03}", tuple(lots))


def _order(rng: np.random.Generator, number: int, days: int, pools: int, hot: int) -> Order:
    wanted = rng.choice(pools, size=min(pools, int(rng.integers(1, 5))), replace=False)
    lines = tuple(Line(f"pool-{p:03}", int(rng.choice([3, 5, 6, 10]))) for p in sorted(wanted))
    first = int(rng.integers(0, days))
    until = min(days, first + int(rng.integers(3, 28)))
    closed = rng.random() < 0.6
    open_days = tuple(
        day
        for day in range(first, until)
        if day % 7 in _WEEKDAYS and not (closed and hot <= day < hot + 7)
    )
    kept = first if first % 7 in _WEEKDAYS and rng.random() < 0.8 else None
    return Order(
        key=f"order-{number:05}",
        lines=lines,
        open_days=open_days,
        first_day=first,
        weight=int(rng.choice([1, 2, 5], p=[0.5, 0.3, 0.2])),
        kept_day=kept,
        minutes=5 + 2 * len(lines) + int(rng.integers(0, 3)),
    )
