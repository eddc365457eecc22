"""Which plan is cheapest, and how far from the best can it be? The search within a time limit."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from solver.propagation.backward import backward
from solver.propagation.judge import complete, cost, loads, violations
from solver.propagation.model import Taken, build, crop_runs, starts_of
from solver.propagation.plan import Plan, Start, batches
from solver.propagation.problem import Problem
from solver.propagation.rounding import rounded
from solver.propagation.search import Bounds, Neighbourhoods, Search, Stage
from solver.propagation.slices import LARGEST, slices, together
from solver.propagation.state import Share, Shares, State
from solver.propagation.tasks import (
    Change,
    CropBound,
    Desk,
    Part,
    Prices,
    Relaxed,
    Slice,
    improve,
    start,
)
from solver.run import Clock, Limits, Outcome, Status, keeping_the_best, run_linear
from solver.workers import WorkerError, Workers

TASKS = "solver.propagation.tasks"
FIRST_PASS, TRAYS_PASS = 0.2, 0.18
"""Which parts of the time may the two passes over all crops take?"""
TURNS, TURNS_OF_SMALL, TURNS_OF_LARGE = (0.75,), (0.4, 0.5, 0.8), (0.42,)
"""At which parts of the time are trays made whole, and at every second batches taken up?"""
HOPELESS = 8
"""After how many crops in turn whose floor whole trays do not raise are the others left alone?"""
DIRECT, DIRECT_PART = 250, 0.25
"""Up to how many possible batches is a problem solved as one model, for which part of the time?"""
FAR = 3.0
"""Trays are made whole early where the best plan so far costs so many times its bound.

There crops that share an hour must be planned together; elsewhere one crop a task is best, since
it is solved to the end.
"""


@dataclass
class _Best:
    """The best plan that was judged, and what has been said about it."""

    problem: Problem
    clock: Clock
    plan: Plan = field(default_factory=Plan)
    bound: float = 0.0

    def offer(self, starts: tuple[Start, ...]) -> bool:
        """Judges a plan and keeps it if it may be followed and is cheaper; true if it was kept."""
        plan = Plan(starts)
        if violations(self.problem, plan):
            return False
        price = cost(self.problem, plan)
        if self.plan.cost is not None and price >= self.plan.cost:
            return False
        self.plan = Plan(starts, price)
        self.report()
        return True

    def report(self) -> None:
        self.clock.report(self.plan.cost, self.whole_bound())

    def whole_bound(self) -> int:
        bound = max(0, int(-(-(self.bound * (1 - 1e-9) - 0.5) // 1)))
        return min(bound, self.plan.cost) if self.plan.cost is not None else bound

    def proven(self) -> bool:
        return self.plan.cost is not None and self.whole_bound() >= self.plan.cost


def solve(problem: Problem, limits: Limits) -> Outcome[Plan]:
    """The best plan found within the limits, judged, with a bound proven for the full model.

    A small problem is solved as one model; others are searched by `limits.threads` processes.
    Ctrl-C and `limits.stop` keep the best plan so far.
    """
    return _solve(problem, limits, direct=True)


def search(problem: Problem, limits: Limits) -> Outcome[Plan]:
    """As `solve`, but by worker processes also for a small problem."""
    return _solve(problem, limits, direct=False)


def _solve(problem: Problem, limits: Limits, direct: bool) -> Outcome[Plan]:
    clock = Clock(limits)
    best = _Best(problem, clock)
    notes: dict[str, float] = {}
    with keeping_the_best(clock):
        best.offer(problem.fixed)
        best.offer(backward(problem).starts)
        calm = best.offer(_kept(problem)) and bool(problem.accepted)
        if direct:
            _directly(problem, clock, best)
        if not best.proven() and clock.left() > 0:
            notes = _searched(problem, limits, clock, best, calm)
    plan = Plan(best.plan.starts, best.plan.cost, best.whole_bound())
    status = Status.FEASIBLE
    if best.proven():
        status = Status.OPTIMAL
    elif clock.stopped():
        status = Status.STOPPED
    return Outcome(plan, plan.cost, plan.bound, clock.seconds(), status, notes)


def _searched(
    problem: Problem, limits: Limits, clock: Clock, best: _Best, calm: bool
) -> dict[str, float]:
    """Searches by worker processes; one that is lost ends the search, and the best plan stays.

    `calm`: around the accepted plan, without looking for a new one first.
    """
    try:
        with Workers(TASKS, problem, limits.threads) as workers:
            conductor = _Conductor(problem, limits, clock, best, workers)
            if calm:
                conductor.start_from_the_best()
            conductor.run()
    except WorkerError:
        return {"workers_lost_at": clock.seconds()}
    return {}


def _kept(problem: Problem) -> tuple[Start, ...]:
    """The accepted plan, as far as it is still allowed to be followed."""
    fixed = batches(problem.fixed)
    rest = [start for start in problem.accepted if (start.protocol, start.week) not in fixed]
    return tuple(sorted((*problem.fixed, *rest)))


def _directly(problem: Problem, clock: Clock, best: _Best) -> None:
    """Solves a problem of few batches as one model; one with none is what it is."""
    crops = crop_runs(problem)
    number = sum(len(one.most) for one in crops)
    if not number and best.plan.cost is not None:
        best.bound = float(best.plan.cost)
    if not 0 < number <= DIRECT:
        return
    model = build(problem, crops, Taken.by_work_in_progress(problem))
    answer = run_linear(model.linear, DIRECT_PART * clock.left(), seed=clock.limits.seed)
    best.bound = max(0.0, answer.bound)
    if answer.values is not None:
        best.offer(starts_of(model, answer.values))
    best.report()


class _Conductor:
    """Gives tasks to workers until the time is over."""

    def __init__(
        self, problem: Problem, limits: Limits, clock: Clock, best: _Best, workers: Workers
    ) -> None:
        self.problem = problem
        self.limits = limits
        self.clock = clock
        self.best = best
        self.workers = workers
        self.desk: Desk = start(problem)
        self.bounds = Bounds(problem)
        self.search: Search | None = None
        self.to_price: list[int] = []
        self.to_prove: list[int] = []
        self.hard: list[int] = []
        self.patience = 1.0
        self.in_vain = 0
        self.pricing = 0
        self.judged_at = 0.0
        self.relaxed: Relaxed | None = None
        self.floored = False
        self.parts: list[Slice | None] = []
        self.to_relax: list[Slice | None] = []
        self.answers: list[tuple[Slice | None, Relaxed | None]] = []
        self.pass_seconds = 0.0
        self.small = len(problem.crops) * problem.weeks <= 800
        self.turns = list(
            TURNS_OF_SMALL if self.small else TURNS_OF_LARGE if self._large() else TURNS
        )
        self.far = False

    def run(self) -> None:
        self._ask_relaxation()
        while self.clock.left() > 0 and not self.best.proven():
            self._give()
            for ticket, result in self.workers.take(min(0.2, self.clock.left())):
                self._taken(ticket, result)
            self._judge(last=False)
        self._judge(last=True)

    def start_from_the_best(self) -> None:
        """Searches around the best plan at once; the bound comes meanwhile.

        After a shock most of an accepted plan still holds: a new one from the relaxation would
        have to find all of it again.
        """
        self.search = self._new_search()
        self.search.stage = Stage.BOTH
        self.search.likely = [frozenset() for _ in self.problem.crops]
        self.turns = []

    def _new_search(self) -> Search:
        state = State(self.problem, shares_of(self.desk, self.best.plan))
        chance = random.Random(self.limits.seed)
        near = Neighbourhoods(self.problem, chance, self.limits.threads)
        return Search(self.problem, near, state, state)

    def _large(self) -> bool:
        return len(self.problem.crops) * self.problem.weeks > 1.3 * LARGEST

    def _time_for_whole(self) -> bool:
        """Is there time for the relaxation of a large problem in one piece, beside the search?"""
        size = len(self.problem.crops) * self.problem.weeks / LARGEST
        return bool(8.0 * size**1.9 < 0.5 * self.limits.seconds)

    def _ask_relaxation(self, whole: bool = False) -> None:
        """Asks for the relaxation, with the floors that are known by now."""
        self.answers = []
        self.parts = [None]
        if self._large() and not whole:
            state = State(self.problem, shares_of(self.desk, self.best.plan))
            self.parts = list(slices(self.problem, state))
        self.to_relax = list(self.parts)

    def _give(self) -> None:
        while self.workers.idle():
            task = self._next()
            if task is None:
                return
            self.workers.give(*task)

    def _next(self) -> tuple[Any, ...] | None:
        left = self.clock.left()
        if left < 0.2:
            return None
        if self.to_relax:
            part = self.to_relax.pop(0)
            limit = left if self.search is None else 0.7 * left
            return ("relax", part), "relax", part, self.bounds.floors, limit
        first = self.search is None
        if first and len(self.answers) < len(self.parts):
            return self._next_priced(left)
        if first and not self.to_price:
            if not self.pricing:
                self._start_search()
            return None
        if self.search is not None:
            self._stage()
        if self._may_price():
            task = self._next_priced(left)
            if task is not None:
                return task
        assert self.search is not None
        seconds = min(left, self._task_seconds())
        change = self.search.next_change(seconds)
        if change is None:
            return None
        if change.part == Part.FLOWS:
            change = replace(change, seconds=min(left, max(seconds, 0.1 * self.limits.seconds)))
        return ("improve", change, self.clock.seconds()), "improve", change

    def _next_priced(self, left: float) -> tuple[Any, ...] | None:
        """One crop at the present prices: all crops with whole batches, then with whole trays."""
        if self.bounds.prices is None:
            return None
        if not self.to_price and not self.to_prove and self.hard:
            self.to_prove, self.hard = self.hard, []
            self.patience *= 2.0
        if self.to_price:
            crop, whole = self.to_price.pop(0), False
        elif self.to_prove:
            crop, whole = self.to_prove.pop(0), True
        else:
            return None
        self.pricing += 1
        limit = min(left, self._pricing_seconds(whole))
        return ("price", crop, whole), "price", crop, self.bounds.prices, limit, whole

    def _task_seconds(self) -> float:
        """How long may a task take? In a pass, all tasks together take the pass's time."""
        assert self.search is not None
        seconds = max(0.5, min(8.0, self.limits.seconds / 12))
        if self.search.unmade:
            tasks = max(1, self.search.tasks)
            even = max(0.3, self.pass_seconds * self.limits.threads / tasks)
            return min(8.0, 1.2 * self.pass_seconds, even)
        return seconds

    def _pricing_seconds(self, whole: bool) -> float:
        """A part of the time, for all crops on all workers; more for the hard ones each round."""
        share = 0.2 * self.patience if whole else 0.05 if self._large() else 0.15
        crops = max(1, len(self.problem.crops))
        return share * self.limits.seconds * self.limits.threads / crops

    def _stage(self) -> None:
        """Batches first; then their trays; then both, with what is left of the time."""
        search = self.search
        assert search is not None
        share = self.clock.seconds() / self.limits.seconds
        if not self.turns or share < self.turns[0] or search.unmade:
            return
        if search.to_balance() or search.balancing:
            return
        if search.stage == Stage.BATCHES:
            self.turns.pop(0)
            self.pass_seconds = TRAYS_PASS * self.limits.seconds
            half = -(-len(self.problem.crops) // self.limits.threads)
            several = max(1, min(half, 420 // max(1, self.problem.weeks)))
            several = len(self.problem.crops) if self.small else several
            search.trays_pass(several if self.far else 1)
        elif search.stage == Stage.BOTH:
            self.turns.pop(0)
            search.back_to_batches()

    def _may_price(self) -> bool:
        """One worker at most prices beside the search, and none while a pass goes on."""
        if self.search is None:
            return True
        if self.search.unmade and not (self._large() and self.to_price):
            return False
        return self.pricing < max(1, self.limits.threads - 1)

    def _taken(self, ticket: tuple[Any, ...], result: Any) -> None:
        if ticket[0] == "relax":
            self.answers.append((ticket[1], result))
            if len(self.answers) == len(self.parts):
                self._relaxations()
        elif ticket[0] == "price":
            self._priced(ticket[1], ticket[2], result)
        else:
            _, change, began = ticket
            assert self.search is not None
            making = bool(self.search.unmade)
            self.search.changed(change, result)
            if not making and change.part != Part.FLOWS:
                seconds = self.clock.seconds() - began
                self.search.neighbourhoods.easy(
                    change.part, result.optimal, seconds, change.seconds
                )
            elif making and self.search.whole():
                self._judge(last=True)

    def _priced(self, crop: int, whole: bool, result: CropBound) -> None:
        self.pricing -= 1
        higher = self.bounds.crop(result)
        if not whole and result.optimal:
            self.to_prove.append(crop)
        if whole and not result.optimal:
            self.hard.append(crop)
        self.in_vain = self.in_vain + 1 if whole and not higher else 0
        if self.in_vain >= HOPELESS:
            self.to_prove, self.hard = [], []
        if self.bounds.best > self.best.bound:
            self.best.bound = self.bounds.best
            self.best.report()

    def _relaxations(self) -> None:
        """Takes the relaxation when all of its slices have come."""
        found = [(part, answer) for part, answer in self.answers if answer is not None]
        if len(found) == len(self.parts):
            if self.parts == [None]:
                self._relaxed(found[0][1])
            else:
                whole = [(part, answer) for part, answer in found if part is not None]
                self._relaxed(together(self.problem, whole))
        elif self.search is None and self.relaxed is None:
            self._relaxed(self._unrelaxed())
        if self.floored and self.search is None:
            self._start_search()

    def _unrelaxed(self) -> Relaxed:
        """What takes the relaxation's place where there was no time for it: the plan so far."""
        weeks = self.problem.weeks
        none = np.zeros((len(self.problem.areas), weeks))
        shares = dict(enumerate(shares_of(self.desk, self.best.plan)))
        return Relaxed(shares, Prices(none, np.zeros(weeks), np.zeros(weeks), {}), 0.0)

    def _relaxed(self, relaxed: Relaxed) -> None:
        self.relaxed = relaxed
        self.bounds.relaxed(relaxed)
        self.best.bound = max(self.best.bound, self.bounds.best)
        self.best.report()
        # the bound hardly moves when prices are found again, and whole trays take long to price
        if self.bounds.prices is None or self._large():
            self.bounds.price_at(relaxed.prices)
            self.to_price = list(range(len(self.problem.crops)))
            self.to_prove, self.hard = [], []
        shares = [relaxed.shares[at] for at in range(len(self.problem.crops))]
        for least in (0.3, 0.6) if self.search is None else ():
            self.best.offer(rounded(self.problem, shares, least))

    def _start_search(self) -> None:
        """After the crops were priced: relaxes again with their floors, then starts to search."""
        if not self.floored:
            self.floored = True
            if not self._large():
                self._ask_relaxation()
                return
        assert self.relaxed is not None
        self.search = self._new_search()
        self.pass_seconds = FIRST_PASS * self.limits.seconds
        shares = [self.relaxed.shares[at] for at in range(len(self.problem.crops))]
        crops, weeks = len(self.problem.crops), max(1, self.problem.weeks)
        several = max(1, min(270 // weeks, -(-crops // (2 * self.limits.threads))))
        self.far = (self.best.plan.cost or 0) > FAR * max(1.0, self.best.bound)
        if self.far:
            self.turns = [0.3, 0.45, 0.7]
        self.search.first_pass(shares, several if self.far else 1)
        if self._large() and self._time_for_whole():
            self._ask_relaxation(whole=True)

    def _judge(self, last: bool) -> None:
        """Judges the present plan now and then, and at the end."""
        if self.search is None or not self.search.whole():
            return
        every = 1.0 + len(self.problem.crops) * self.problem.weeks / 5000
        if not last and self.clock.seconds() - self.judged_at < every:
            return
        self.judged_at = self.clock.seconds()
        state = self.search.state
        if self.best.plan.cost is not None and state.cost() >= self.best.plan.cost - 0.5:
            return
        self.best.offer(state.starts_of_all())


def shares_of(desk: Desk, plan: Plan) -> list[Share]:
    """A judged plan as shares, with the cheapest flows."""
    problem = desk.problem
    rest = complete(problem, loads(problem, plan))
    flows: dict[str, dict[tuple[int, int], float]] = {crop.key: {} for crop in problem.crops}
    for flow in rest.flows:
        flows[flow.crop][flow.ready, flow.wanted] = flow.plugs
    found = []
    shares: Shares = desk.shares
    planned = batches(plan.starts)
    for at, one in enumerate(desk.crops):
        names = {protocol.key for protocol in one.crop.protocols}
        trays = {
            (s.protocol, s.week, s.extra): float(s.trays)
            for s in plan.starts
            if s.protocol in names
        }
        batch = {key: 1.0 for key in planned if key[0] in names}
        found.append(shares.make(at, trays, batch, flows[one.crop.key]))
    return found


def solve_one_crop(problem: Problem, plan: Plan, crop: str, seconds: float) -> Plan:
    """The plan with one crop planned anew beside the others as they stand, judged.

    The plan itself if nothing cheaper is found within the seconds.
    """
    desk = start(problem)
    at = next(at for at, one in enumerate(desk.crops) if one.crop.key == crop)
    state = State(problem, shares_of(desk, plan))
    change = Change(
        crops=(at,),
        taken=state.taken_without((at,)),
        hints={at: state.shares[at]},
        window=None,
        seconds=seconds,
        seed=0,
        part=Part.BOTH,
    )
    changed = improve(desk, change)
    kept = Plan(plan.starts, cost(problem, plan))
    if changed.shares is None:
        return kept
    new = Plan(state.replaced(changed.shares).starts_of_all())
    if violations(problem, new):
        return kept
    price = cost(problem, new)
    return Plan(new.starts, price) if price < (kept.cost or 0) else kept
