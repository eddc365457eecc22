"""Can a dispatch plan be carried out, and what does it cost? Worked out without a solver."""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Mapping
from typing import NamedTuple

from solver.dispatching.problem import Plan, Pool, Problem


class Take(NamedTuple):
    """How many plugs of which lot ship on which day?"""

    lot: str
    day: int
    plugs: int


def cheapest_lots(pool: Pool, wanted: Mapping[int, int]) -> tuple[list[Take], int]:
    """Which lots serve which day, with the youngest plants, and how many plugs are missing?

    Days are gone through from the last to the first and each takes the open lot with the latest
    ready day: such a lot is the cheapest now and the first that earlier days cannot use. Swapping
    any two plugs of another choice into this order costs nothing, so no choice is cheaper and none
    serves more. Returns what is taken and the plugs that no choice can serve.
    """
    waiting = sorted(pool.lots, key=lambda lot: lot.last_sale)
    left = {lot.key: lot.plugs for lot in pool.lots}
    open_lots: list[tuple[int, str]] = []
    taken: list[Take] = []
    missing = 0
    for day in sorted(wanted, reverse=True):
        while waiting and waiting[-1].last_sale >= day:
            lot = waiting.pop()
            heapq.heappush(open_lots, (-lot.ready, lot.key))
        need = wanted[day]
        while need and open_lots:
            ready, key = -open_lots[0][0], open_lots[0][1]
            here = min(need, left[key]) if ready <= day else 0
            if here:
                taken.append(Take(key, day, here))
                left[key] -= here
                need -= here
            if ready > day or not left[key]:
                heapq.heappop(open_lots)
        missing += need
    return taken, missing


def plugs_by_day(problem: Problem, plan: Plan) -> dict[str, dict[int, int]]:
    """How many plugs of each pool ship on each day?"""
    wanted: dict[str, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for key, day in plan.ships.items():
        for line in problem.order_of[key].lines:
            wanted[line.pool][day] += line.plugs
    return wanted


def violations(problem: Problem, plan: Plan) -> list[str]:
    """What forbids this plan? One sentence each; empty when it can be carried out."""
    found: list[str] = []
    for key, day in plan.ships.items():
        order = problem.order_of.get(key)
        if order is None:
            found.append(f"Order {key!r} is not in the problem")
        elif day not in order.open_days:
            found.append(f"Order {key!r} ships on day {day}, which is not open for it")
    if found:
        return found
    for pool, wanted in plugs_by_day(problem, plan).items():
        _, missing = cheapest_lots(problem.pool_of[pool], wanted)
        if missing:
            found.append(f"Pool {pool!r}: {missing} plugs too few on the days they are wanted")
    return found


def cost(problem: Problem, plan: Plan) -> int:
    """What does this plan cost, in the problem's cost unit? Raises ValueError if it violates."""
    wrong = violations(problem, plan)
    if wrong:
        raise ValueError(f"Dispatch plan: {wrong[0]} ({len(wrong)} in all)")
    total = sum(problem.order_cost(order, plan.ships.get(order.key)) for order in problem.orders)
    minutes: dict[int, int] = defaultdict(int)
    for key, day in plan.ships.items():
        minutes[day] += problem.order_of[key].minutes_on(day)
    over = sum(problem.overload(day, used) for day, used in minutes.items())
    return total + over + problem.age_cost * _age(problem, plan)


def _age(problem: Problem, plan: Plan) -> int:
    """Plug-days between the ready day of the lots taken and the ship day."""
    total = 0
    for key, wanted in plugs_by_day(problem, plan).items():
        pool = problem.pool_of[key]
        ready = {lot.key: lot.ready for lot in pool.lots}
        taken, _ = cheapest_lots(pool, wanted)
        total += sum(take.plugs * (take.day - ready[take.lot]) for take in taken)
    return total


def lots_taken(problem: Problem, plan: Plan) -> dict[str, list[Take]]:
    """Which lots of each pool serve which ship day in this plan?"""
    return {
        pool: cheapest_lots(problem.pool_of[pool], wanted)[0]
        for pool, wanted in plugs_by_day(problem, plan).items()
    }
