"""Which plan is cheapest? From the relaxation, by proof, to the whole model.

The linear relaxation ships nearly every order whole. Its prices prove a bound, and prove of most
ship days that no plan cheaper than the best so far uses them: these are left out. What the
relaxation ships whole is fixed for a first plan; then some hundred orders are set free at a time;
at last everything that is not ruled out.
"""

from __future__ import annotations

import math
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from solver.dispatching.judge import cost, violations
from solver.dispatching.model import (
    Mask,
    Matrix,
    Part,
    Prices,
    build,
    columns_of,
    part,
    part_around,
    plan_of,
    prices,
    values_of,
)
from solver.dispatching.problem import Plan, Problem
from solver.dispatching.whole_numbers import run_whole_numbers
from solver.first_come import first_come, stay_first
from solver.linear import LinearAnswer
from solver.run import Clock, Limits, Outcome, Status, keeping_the_best, run_linear

_WHOLE = 1e-6
# Of the plan's cost: a ship day dearer than this above the bound is not worth a first look.
_FIRST_LOOK = 0.01
_NEIGHBOURHOODS = 0.3  # most of the time left that goes into neighbourhoods
_WORTH_IT = 8.0  # seconds left, in seconds of the relaxation
_WORTH_IT_BESIDE = 3.0  # the same in a small model, where the other thread goes on meanwhile
_VAIN = 3  # so many neighbourhoods without a better plan, and they end
_FREE = 250  # orders that are free at a time: neighbours in time, or a part of them anywhere
_ANYWHERE = 120
_FEW = 0.2  # share of orders without a day to keep, up to which the kept days are a start
_SMALL = 20_000  # columns of a model up to which CP-SAT comes near to a proof
_FIRST_ROOM = 1 / 3  # of the room between bound and best plan, in which CP-SAT looks first
_SPARE = 0.02  # of the time: solvers end a little late
_IN_TIME = 0.7  # of the time: a relaxation that is not solved by then is not waited for


def solve(problem: Problem, limits: Limits) -> Outcome[Plan]:
    """Which day does each order ship at the least cost? Always gives a plan.

    The outcome's plan is judged without the solver; its bound is proven for the whole problem.
    Progress and stop as in `Limits`; a stop or Ctrl-C keeps the best plan so far.
    """
    search = _Search(problem, Clock(limits))
    with keeping_the_best(search.clock):
        search.run()
    return search.outcome()


@dataclass(frozen=True)
class _Over:
    """Is the clock stopped, or the other thread done?"""

    clock: Clock
    other: Future[LinearAnswer]

    def is_set(self) -> bool:
        return self.other.done() or self.clock.stopped()


def _anywhere(movable: Mask, rng: np.random.Generator) -> Mask:
    free = np.zeros(movable.size, dtype=bool)
    free[rng.permutation(np.flatnonzero(movable))[:_ANYWHERE]] = True
    return free


class _Search:
    """The best plan and bound so far, and the steps that improve them."""

    def __init__(self, problem: Problem, clock: Clock) -> None:
        self.problem = problem
        self.clock = clock
        self.plan = min((first_come(problem), stay_first(problem)), key=self._cost)
        self.best = self._cost(self.plan)
        # to read and judge a last answer takes about as long as these rules of thumb
        self.spare = clock.seconds() + _SPARE * clock.limits.seconds
        self.bound: float = 0.0  # no part of a cost is negative
        self.notes: dict[str, float] = {}

    def _left(self) -> float:
        return max(0.0, self.clock.left() - self.spare)

    def _cost(self, plan: Plan) -> int:
        return cost(self.problem, plan)

    def run(self) -> None:
        self.clock.report(self.best, None)
        whole = build(self.problem)
        if not whole.whole.any():
            self.bound = self.best
            return
        seconds = self._left()
        relaxed = self._relaxed(whole)
        taken = seconds - self._left()
        proof = prices(whole, relaxed)
        if proof is None:
            return
        self._prove(proof.bound)
        self._note("relaxation")
        self._round(whole, proof)
        # The whole model takes many relaxations' time to its first plan or better bound.
        worth_it = self._left() > _WORTH_IT * taken
        # HiGHS looks at the clock seldom in a large model, so it gets one only with time to spare.
        beside = _WORTH_IT_BESIDE if len(whole.cost) <= _SMALL else _WORTH_IT
        if self.clock.limits.threads > 1 and self._left() > beside * taken:
            self._side_by_side(whole, proof)
            return
        self._neighbourhoods(whole, proof, _NEIGHBOURHOODS if worth_it else 1.0)
        if worth_it:
            self._all(whole, proof)

    def _side_by_side(self, whole: Matrix, proof: Prices) -> None:
        """All that is not ruled out by HiGHS; beside it neighbourhoods, then CP-SAT."""
        if self._done() or not self._left():
            return
        room = self.best - proof.bound
        model, seed = self._within(whole, proof, room), self.clock.limits.seed
        with ThreadPoolExecutor(1) as other:
            answer = other.submit(run_linear, model.linear, self._left(), seed=seed)
            small = len(model.linear.cost) <= _SMALL
            self._neighbourhoods(whole, proof, _NEIGHBOURHOODS if small else 1.0, until=answer)
            if small:
                self._whole_numbers(whole, proof, self.best - proof.bound, until=answer)
        self._learn(whole, model, answer.result(), proof.bound + room)
        self._note("all")

    def _whole_numbers(
        self, whole: Matrix, proof: Prices, room: float, until: Future[LinearAnswer]
    ) -> None:
        """The same by CP-SAT, until it or the other thread has its proof.

        Where the plan is a first one yet, first the ways that a plan within a third of the room
        could use, which mostly has the cheapest plan; then, or if that is dearer, all ways that a
        plan cheaper than this one could use.
        """
        over = _Over(self.clock, until)
        searched = "neighbourhoods" in self.notes
        for share in (1.0,) if searched else (_FIRST_ROOM, 1.0):
            within = min(share * room, self.best - proof.bound)
            if self._done() or over.is_set():
                return
            model = self._within(whole, proof, within)
            start = values_of(self.problem, whole, self.plan)[model.columns]
            left = self._left()  # after the model is made: that takes time as well
            if not left:
                return
            limits = Limits(left, 1, self.clock.limits.seed, stop=over)
            answer = run_whole_numbers(model.linear, limits, start.tolist())
            self._learn(whole, model, answer, proof.bound + within)
            self._note("whole_numbers")

    def _learn(self, whole: Matrix, model: Part, answer: LinearAnswer, ruled_out: float) -> None:
        """Takes the plan; no plan is cheaper than the model's bound and those left out of it."""
        self._take(whole, model, answer)
        if math.isfinite(answer.bound):
            self._prove(min(answer.bound, ruled_out))

    def _relaxed(self, whole: Matrix) -> LinearAnswer:
        """The whole model's relaxation; beside it, after a small change, days for who must move.

        A slow machine may not have the relaxation in time, and then those days are the plan.
        """
        model, seconds, seed = part(whole).linear, _IN_TIME * self._left(), self.clock.limits.seed
        moving = self._moving(whole)
        with ThreadPoolExecutor(1) as other:
            relaxed = other.submit(
                run_linear, model, seconds, relaxed=True, presolve=False, seed=seed
            )
            if moving is not None and self.clock.limits.threads > 1:
                self._solve(whole, moving, seconds)
                self._note("kept")
            answer = relaxed.result()
        if moving is not None and self.clock.limits.threads == 1 and prices(whole, answer) is None:
            self._solve(whole, moving, self._left())
        return answer

    def _moving(self, whole: Matrix) -> Part | None:
        """The model in which who can keep their day stays; None where that is not nearly all."""
        kept = np.array(
            [o.kept_day if o.kept_day in o.open_days else -1 for o in self.problem.orders]
        )
        free = sum(
            1 for o, day in zip(self.problem.orders, kept, strict=True) if o.open_days and day < 0
        )
        if free > _FEW * len(self.problem.orders):
            return None
        return part_around(whole, whole.whole, whole.whole & (whole.day == kept[whole.order]))

    def _round(self, whole: Matrix, proof: Prices) -> None:
        """What the relaxation ships whole stays there; the undecided find their best day."""
        fixed = whole.whole & (proof.value > 1 - _WHOLE)
        undecided = np.zeros(whole.order_row.size, dtype=bool)
        undecided[whole.order[whole.whole & (proof.value > _WHOLE) & ~fixed]] = True
        cheap = proof.reduced <= _FIRST_LOOK * abs(proof.bound) + 1.0
        keep = whole.whole & (cheap | undecided[whole.order])
        self._solve(whole, part_around(whole, keep, fixed), self._left() / 2)
        self._note("rounded")

    def _neighbourhoods(
        self, whole: Matrix, proof: Prices, share: float, until: Future[LinearAnswer] | None = None
    ) -> None:
        """Some orders are set free at a time: neighbours in time, then some anywhere, in turn.

        Those anywhere have the undecided of the relaxation among them. Ends when `until` is done,
        and has tasks of a second or less then, since none can be ended.
        """
        rng = np.random.default_rng(self.clock.limits.seed)
        if share < 1 and self._movable(whole, proof, self.best - proof.bound).sum() <= 2 * _FREE:
            return  # the whole is hardly more than one neighbourhood
        undecided = whole.whole & (proof.value > _WHOLE) & (proof.value < 1 - _WHOLE)
        ends = self._left() * (1 - share)
        vain = turn = 0
        while vain < _VAIN and self._left() > ends and not self._done():
            if until is not None and until.done():
                break
            before = self.best
            room = self.best - proof.bound
            movable = self._movable(whole, proof, room)
            if turn % 2:
                free = self._near(movable, rng)
            else:
                free = _anywhere(movable, rng)
                free[whole.order[undecided]] = True
            turn += 1
            fixed = columns_of(self.problem, whole, self.plan) & ~free[whole.order]
            keep = whole.whole & (proof.reduced <= room + _WHOLE)
            seconds = self._left() - ends
            seconds = seconds if until is None else min(seconds, max(0.2, 0.1 * self._left()))
            self._solve(whole, part_around(whole, keep, fixed), seconds)
            vain = vain + 1 if self.best == before and until is None else 0
            self.notes["neighbourhoods"] = self.notes.get("neighbourhoods", 0) + 1
        self._note("neighbourhoods")

    def _near(self, movable: Mask, rng: np.random.Generator) -> Mask:
        """Orders of the days about one of them: they fight over the same minutes."""
        orders = self.problem.orders
        days = np.array([self.plan.ships.get(order.key, order.first_day) for order in orders])
        may = np.flatnonzero(movable)
        apart = np.abs(days[may] - rng.choice(days[may])) + rng.random(may.size)
        free = np.zeros(movable.size, dtype=bool)
        free[may[np.argsort(apart)[:_FREE]]] = True
        return free

    def _movable(self, whole: Matrix, proof: Prices, room: float) -> Mask:
        """Orders with more than one day that could be in a plan cheaper than the best."""
        ways = whole.order[whole.whole & (proof.reduced < room)]
        return np.asarray(np.bincount(ways, minlength=whole.order_row.size) > 1)

    def _all(self, whole: Matrix, proof: Prices) -> None:
        """Everything that is not ruled out, whose bound is one of the whole problem."""
        if self._done() or not self._left():
            return
        room = self.best - proof.bound
        model = self._within(whole, proof, room)
        answer = run_linear(model.linear, self._left(), seed=self.clock.limits.seed)
        self._learn(whole, model, answer, proof.bound + room)
        self._note("all")

    def _within(self, whole: Matrix, proof: Prices, room: float) -> Part:
        """The model of every way that a plan at most this much above the bound might use."""
        room = max(room, 0.0) + _WHOLE
        keep = (proof.reduced <= room) | (proof.value > _WHOLE)
        price = np.where(whole.order_row >= 0, -proof.of_row[whole.order_row], 0.0)
        return part(whole, keep, price > room)

    def _solve(self, whole: Matrix, model: Part, seconds: float) -> None:
        """Solves a part and keeps its plan if it is better."""
        answer = run_linear(model.linear, seconds, seed=self.clock.limits.seed)
        self._take(whole, model, answer)

    def _take(self, whole: Matrix, model: Part, answer: LinearAnswer) -> None:
        """Judges the plan in an answer and keeps it if it is better."""
        if answer.values is not None:
            plan = plan_of(self.problem, whole, answer.values, model)
            if not violations(self.problem, plan) and self._cost(plan) < self.best:
                self.plan, self.best = plan, self._cost(plan)
        self.clock.report(self.best, self._whole_bound())

    def _prove(self, bound: float) -> None:
        self.bound = max(self.bound, bound)
        self.clock.report(self.best, self._whole_bound())

    def _whole_bound(self) -> int | None:
        """Costs are whole, so a bound is rounded up, forgiving rounding errors."""
        if not math.isfinite(self.bound):
            return None
        slack = 1e-9 * abs(self.bound) + 1e-6
        return min(self.best, math.ceil(self.bound - slack))

    def _done(self) -> bool:
        return self._whole_bound() == self.best

    def _note(self, name: str) -> None:
        self.notes[f"seconds_{name}"] = round(self.clock.seconds(), 3)
        self.notes[f"cost_{name}"] = self.best

    def outcome(self) -> Outcome[Plan]:
        bound = self._whole_bound()
        if bound == self.best:
            status = Status.OPTIMAL
        else:
            status = Status.STOPPED if self.clock.stopped() else Status.FEASIBLE
        plan = replace(self.plan, cost=self.best, bound=bound)
        return Outcome(plan, self.best, bound, self.clock.seconds(), status, self.notes)
