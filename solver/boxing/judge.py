"""May these boxes be packed so, and what do they cost? Written without the solver."""

from __future__ import annotations

from collections import Counter

from solver.boxing.problem import Packed, Plan, Problem


def weight(problem: Problem, packed: Packed) -> int:
    """What does a packed box weigh, in grams?"""
    inside = sum(problem.item_of[key].weight * count for key, count in packed.holds)
    return problem.box_of[packed.box].weight + inside


def violations(problem: Problem, plan: Plan) -> list[str]:
    """What forbids this plan? One sentence each; empty when it can be packed."""
    found: list[str] = []
    packed: Counter[str] = Counter()
    for number, box in enumerate(plan.boxes, start=1):
        if box.box not in problem.box_of:
            found.append(f"Box {number}: there is no box {box.box!r}")
            continue
        unknown = [key for key, _ in box.holds if key not in problem.item_of]
        if unknown or any(count < 1 for _, count in box.holds):
            found.append(f"Box {number} holds what is not to be packed: {box.holds}")
            continue
        for key, count in box.holds:
            packed[key] += count
        room = sum(problem.item_of[key].room * count for key, count in box.holds)
        if room > problem.box_of[box.box].room:
            of = problem.box_of[box.box].room
            found.append(f"Box {number} holds {room} units, it has room for {of}")
        if weight(problem, box) > problem.heaviest:
            heavy = weight(problem, box)
            found.append(f"Box {number} weighs {heavy} g, at most {problem.heaviest} may be")
    for item in problem.items:
        if packed[item.key] != item.count:
            found.append(f"Item {item.key!r}: {packed[item.key]} of {item.count} are packed")
    return found


def cost(problem: Problem, plan: Plan) -> int:
    """What do the boxes and their postage cost? Raises ValueError for a plan that violates."""
    wrong = violations(problem, plan)
    if wrong:
        raise ValueError(f"Boxing plan: {wrong[0]} ({len(wrong)} in all)")
    return sum(
        problem.box_of[box.box].price + problem.postage(weight(problem, box)) for box in plan.boxes
    )
