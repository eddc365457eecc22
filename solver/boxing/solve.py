"""Which boxes does an order take? Largest first at once, then ways to fill a box, then CP-SAT."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from solver.boxing.judge import cost, violations
from solver.boxing.patterns import by_patterns
from solver.boxing.problem import Box, Item, Packed, Plan, Problem
from solver.late import Late
from solver.run import (
    Clock,
    CpAnswer,
    Limits,
    Outcome,
    Progress,
    Status,
    keeping_the_best,
    run_cp_sat,
)

if TYPE_CHECKING:
    from ortools.sat.python import cp_model
else:
    cp_model = Late("ortools.sat.python.cp_model")

_SMALL = 12
"""Bundles up to which CP-SAT proves an order in no time."""
_MOST_SLOTS = 60
"""Boxes up to which an order is given to CP-SAT at all."""


def solve(problem: Problem, limits: Limits) -> Outcome[Plan]:
    """The cheapest boxes found, judged without the solver; proven for small orders.

    Progress and stop as in `Limits`; a stop or Ctrl-C keeps the best plan so far.
    """
    one, bound = _in_one(problem), least_cost(problem)
    plan = one if one is not None and one.cost == bound else first_boxes(problem)
    best = cost(problem, plan)
    if best <= bound:  # no solver is asked, or even imported
        if limits.progress is not None:
            limits.progress(Progress(0.0, best, best))
        return Outcome(replace(plan, cost=best, bound=best), best, best, 0.0, Status.OPTIMAL)
    clock = Clock(limits)
    clock.report(best, bound)
    with keeping_the_best(clock):
        if sum(item.count for item in problem.items) > _SMALL:
            found, proven = by_patterns(problem, clock, plan)
            bound = max(bound, proven)
            if found and not violations(problem, found) and cost(problem, found) < best:
                plan, best = found, cost(problem, found)
            clock.report(best, bound)
        slots = max(len(plan.boxes), _most_boxes(problem, best))
        if best > bound and slots <= _MOST_SLOTS and clock.left():
            model = _Model(problem, plan, slots)
            answer = run_cp_sat(model.cp, clock.rest())
            bound = max(bound, answer.bound or 0)
            if answer.solution:
                given = model.plan(answer)
                if not violations(problem, given) and cost(problem, given) < best:
                    plan, best = given, cost(problem, given)
    bound = min(bound, best)
    status = Status.STOPPED if clock.stopped() else Status.FEASIBLE
    status = Status.OPTIMAL if bound == best else status
    return Outcome(replace(plan, cost=best, bound=bound), best, bound, clock.seconds(), status)


def first_boxes(problem: Problem) -> Plan:
    """Which boxes are there at once? For each kind of box, first fit with the largest first.

    The best of these; then each box is changed for the cheapest kind that holds what is in it.
    """
    wanted = [item for item in problem.items if item.count]
    if not wanted:
        return Plan(())
    kinds = [box for box in problem.boxes if all(problem.fits(item, box) for item in wanted)]
    plans = [_filled(problem, kind, wanted) for kind in kinds]
    return min(plans, key=lambda plan: cost(problem, plan)) if plans else _one_each(problem)


def _filled(problem: Problem, kind: Box, wanted: Sequence[Item]) -> Plan:
    """First fit decreasing with boxes of one kind that has room for one of each item."""
    packed: list[Counter[str]] = []
    room: list[int] = []
    weight: list[int] = []
    for item in sorted(wanted, key=lambda one: (-one.room, -one.weight, one.key)):
        left, at = item.count, 0
        while left:
            if at == len(packed):
                packed.append(Counter())
                room.append(kind.room)
                weight.append(problem.heaviest - kind.weight)
            many = min(
                left,
                room[at] // item.room if item.room else left,
                weight[at] // item.weight if item.weight else left,
            )
            if many:
                packed[at][item.key] += many
                room[at] -= many * item.room
                weight[at] -= many * item.weight
                left -= many
            at += 1
    return Plan(tuple(_cheapest_kind(problem, kind, inside) for inside in packed))


def _cheapest_kind(problem: Problem, kind: Box, inside: Counter[str]) -> Packed:
    room = sum(problem.item_of[key].room * count for key, count in inside.items())
    weighs = sum(problem.item_of[key].weight * count for key, count in inside.items())
    choice = [
        (box.price + problem.postage(box.weight + weighs), box.key)
        for box in problem.boxes
        if room <= box.room and weighs + box.weight <= problem.heaviest
    ]
    return Packed(min(choice)[1] if choice else kind.key, tuple(sorted(inside.items())))


def _one_each(problem: Problem) -> Plan:
    """Every bundle in a box of its own: always allowed."""
    boxes = []
    for item in problem.items:
        kind = next(box for box in problem.boxes if problem.fits(item, box))
        alone = _cheapest_kind(problem, kind, Counter({item.key: 1}))
        boxes += [alone] * item.count
    return Plan(tuple(boxes))


def _in_one(problem: Problem) -> Plan | None:
    """The cheapest box that holds everything, with what it costs; None where no box does."""
    room = sum(item.room * item.count for item in problem.items)
    weighs = sum(item.weight * item.count for item in problem.items)
    found = [
        (box.price + problem.postage(box.weight + weighs), box.key)
        for box in problem.boxes
        if room <= box.room and box.weight + weighs <= problem.heaviest
    ]
    holds = tuple(sorted((item.key, item.count) for item in problem.items if item.count))
    if not found or not holds:
        return None
    price, kind = min(found)
    return Plan((Packed(kind, holds),), cost=price)


def least_cost(problem: Problem) -> int:
    """What does every plan cost at the least, without looking for one?

    The cheapest box that holds everything, or else so many boxes as the room asks for, two at
    least, each at the least that a box costs. So an order that goes into one box is proven at once
    where two of the cheapest boxes cost no less.
    """
    if not any(item.count for item in problem.items):
        return 0
    room = sum(item.room * item.count for item in problem.items)
    largest = max((box.room for box in problem.boxes), default=1)
    least = min((box.price + problem.postage(box.weight) for box in problem.boxes), default=0)
    several = max(2, -(-room // max(1, largest))) * least
    one = _in_one(problem)
    return several if one is None or one.cost is None else min(several, one.cost)


def _most_boxes(problem: Problem, best: int) -> int:
    """How many boxes has a plan that costs no more than `best` at the most? None is empty."""
    bundles = sum(item.count for item in problem.items)
    least = min(
        box.price + problem.postage(box.weight)
        for box in problem.boxes
        if box.weight <= problem.heaviest
    )
    return min(bundles, best // least) if least else bundles


@dataclass(frozen=True)
class _Slot:
    """A box that may be used: its kind, what is in it, its postage."""

    kinds: dict[str, cp_model.IntVar]
    holds: dict[str, cp_model.IntVar]
    postage: cp_model.IntVar | int


class _Model:
    """As many boxes as a cheaper plan could have; each used one costs something."""

    def __init__(self, problem: Problem, plan: Plan, slots: int) -> None:
        self.problem = problem
        self.cp = cp_model.CpModel()
        self.boxes = [box for box in problem.boxes if box.weight <= problem.heaviest]
        self.slots = [self._slot(number) for number in range(slots)]
        for item in problem.items:
            self.cp.add(sum(slot.holds[item.key] for slot in self.slots) == item.count)
        for one, other in zip(self.slots, self.slots[1:], strict=False):
            self.cp.add(_room(problem, one) >= _room(problem, other))
        self.cp.minimize(sum(self._price(slot) for slot in self.slots))
        self._hint(plan)

    def _slot(self, number: int) -> _Slot:
        problem, cp = self.problem, self.cp
        kinds = {box.key: cp.new_bool_var(f"{box.key}@{number}") for box in self.boxes}
        holds = {
            item.key: cp.new_int_var(0, item.count, f"{item.key}@{number}")
            for item in problem.items
        }
        cp.add_at_most_one(kinds.values())
        for item in problem.items:
            if not item.room:  # what takes no room goes into a box all the same
                cp.add(holds[item.key] <= item.count * sum(kinds.values()))
        slot = _Slot(kinds, holds, 0)
        cp.add(_room(problem, slot) <= sum(box.room * kinds[box.key] for box in self.boxes))
        weighs = sum(item.weight * holds[item.key] for item in problem.items) + sum(
            box.weight * kinds[box.key] for box in self.boxes
        )
        if not problem.bands:
            if any(item.weight for item in problem.items):
                cp.add(weighs <= problem.heaviest)
            return slot
        bands = {band: cp.new_bool_var(f"{band}@{number}") for band in problem.bands}
        cp.add(sum(bands.values()) == sum(kinds.values()))
        cp.add(weighs <= sum(band.up_to * used for band, used in bands.items()))
        cp.add(weighs <= problem.heaviest)
        postage = cp.new_int_var(0, max(band.price for band in problem.bands), f"post@{number}")
        cp.add(postage == sum(band.price * used for band, used in bands.items()))
        return replace(slot, postage=postage)

    def _price(self, slot: _Slot) -> cp_model.LinearExprT:
        return sum(box.price * slot.kinds[box.key] for box in self.boxes) + slot.postage

    def _hint(self, plan: Plan) -> None:
        problem = self.problem
        order = sorted(
            plan.boxes,
            key=lambda box: -sum(problem.item_of[key].room * count for key, count in box.holds),
        )
        for at, slot in enumerate(self.slots):
            packed = order[at] if at < len(order) else None
            for key, used in slot.kinds.items():
                self.cp.add_hint(used, int(packed is not None and packed.box == key))
            inside = dict(packed.holds) if packed else {}
            for key, count in slot.holds.items():
                self.cp.add_hint(count, inside.get(key, 0))

    def plan(self, answer: CpAnswer) -> Plan:
        """The plan in an answer."""
        boxes = []
        for slot in self.slots:
            kind = [key for key, used in slot.kinds.items() if answer.value(used)]
            inside = {key: answer.value(count) for key, count in slot.holds.items()}
            if kind and any(inside.values()):
                holds = tuple(sorted((key, count) for key, count in inside.items() if count))
                boxes.append(Packed(kind[0], holds))
        return Plan(tuple(boxes))


def _room(problem: Problem, slot: _Slot) -> cp_model.LinearExprT:
    return sum(item.room * slot.holds[item.key] for item in problem.items)
