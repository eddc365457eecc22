"""Where does every batch stand? First fit at once, then mended by neighbourhoods.

Areas do not touch one another, so each is mended on its own. A stand that is split, short or
changed is taken up together with some that stand there at the same time; first they are put down
again in another order, which is quick, then CP-SAT seats them as well as can be.
"""

from __future__ import annotations

import random
from dataclasses import replace

from solver.benching.bound import lower_bound
from solver.benching.first_fit import Floor, Places, first_fit, floor_cost
from solver.benching.judge import cost, in_one_block, missing, stand_cost
from solver.benching.model import reseat
from solver.benching.problem import Block, Plan, Problem, Stand
from solver.run import Clock, Limits, Outcome, Status, keeping_the_best

_SMALL = 24  # so many stands of an area, and all are seated in one model
_SMALL_SECONDS = 5.0
_FREE = (10, 60)  # stands taken up at a time: at first, at most
_PART_SECONDS = 2.0
_QUICK_SHARE = 0.25  # of the time that is left goes into other orders
_VAIN = 12  # so many neighbourhoods without a better map, and the area is left as it is
_QUICK_VAIN = 150


def solve(problem: Problem, limits: Limits) -> Outcome[Plan]:
    """Which places does every batch take at the least cost? Always gives a map.

    The map is judged without the solver. Progress and stop as in `Limits`; a stop or Ctrl-C keeps
    the best map so far. The notes say what first fit cost and how many stands are in one block.
    """
    clock = Clock(limits)
    search = _Search(problem, clock)
    with keeping_the_best(clock):
        search.run()
    return search.outcome()


class _Search:
    def __init__(self, problem: Problem, clock: Clock) -> None:
        self.problem = problem
        self.clock = clock
        self.rng = random.Random(clock.limits.seed)
        self.floors = [first_fit(problem, area) for area in problem.areas]
        self.costs = [floor_cost(floor) for floor in self.floors]
        self.best = [dict(floor.places) for floor in self.floors]
        self.bounds = [0] * len(self.floors)
        self.notes: dict[str, float] = {"cost_first_fit": sum(self.costs)}
        self.notes["in_one_block_first_fit"] = in_one_block(problem, self._plan())
        self.notes["seconds_first_fit"] = round(clock.seconds(), 3)

    def run(self) -> None:
        self._report()
        self.bounds = [
            min(lower_bound(self.problem, area), cost)
            for area, cost in zip(self.problem.areas, self.costs, strict=True)
        ]
        self._report()
        todo = [at for at in range(len(self.floors)) if self.costs[at] > self.bounds[at]]
        for done, at in enumerate(todo):
            share = self.clock.left() / (len(todo) - done)
            ends = self.clock.left() - share
            self._mend(at, ends)

    def _mend(self, at: int, ends: float) -> None:
        """Betters one area until only `ends` seconds are left, or it cannot be bettered."""
        stands = self._free(at)
        if len(stands) <= _SMALL:
            self._all(at, stands, ends)
        if self._done(at) or not stands:
            return
        quick = _QUICK_SHARE * (self.clock.left() - ends)
        self._other_orders(at, self.clock.left() - quick)
        size, vain = _FREE[0], 0
        while vain < _VAIN and self.clock.left() > ends and not self._done(at):
            better = self._neighbourhood(at, size, ends)
            vain = 0 if better else vain + 1
            size = _FREE[0] if better else min(_FREE[1], size + 5)
            self.notes["neighbourhoods"] = self.notes.get("neighbourhoods", 0) + 1

    def _free(self, at: int) -> list[Stand]:
        key = self.problem.areas[at].key
        return [s for s in self.problem.stands if s.area == key and not s.fixed]

    def _all(self, at: int, stands: list[Stand], ends: float) -> None:
        """All stands of a small area in one model; that proves the map where it is finished."""
        floor, before = self.floors[at], dict(self.floors[at].places)
        for stand in stands:
            floor.take(stand)
        seconds = min(_SMALL_SECONDS, max(0.01, self.clock.left() - ends))
        answer = reseat(floor, stands, before, self._limits(seconds), exact=True)
        places = answer.places if answer.places is not None else before
        for stand in stands:
            floor.put(stand, places.get(stand.key, ()))
        found = floor_cost(floor)
        if found > self.costs[at]:
            self._back(floor, stands, before)
        self.costs[at] = min(found, self.costs[at])
        if answer.proven:
            self.bounds[at] = self.costs[at]
        self._better(at)

    def _other_orders(self, at: int, ends: float) -> None:
        """Takes some stands up and puts them down again in another order, many times."""
        vain = 0
        while vain < _QUICK_VAIN and self.clock.left() > ends and not self._done(at):
            floor = self.floors[at]
            some = self._some(at, self.rng.randint(3, 14))
            before = {stand.key: floor.take(stand) for stand in some}
            was = self._cost_of(some, before)
            self.rng.shuffle(some)
            if self.rng.random() < 0.5:
                some.sort(key=lambda stand: -stand.places)
            for stand in some:
                floor.seat(stand)
            now = self._cost_of(some, floor.places)
            if now > was:
                self._back(floor, some, before)
            self.costs[at] += min(0, now - was)
            vain = 0 if now < was else vain + 1
            if now < was:
                self._better(at)

    def _neighbourhood(self, at: int, size: int, ends: float) -> bool:
        floor = self.floors[at]
        some = self._some(at, size)
        before = {stand.key: floor.take(stand) for stand in some}
        was = self._cost_of(some, before)
        seconds = min(_PART_SECONDS, max(0.01, self.clock.left() - ends))
        answer = reseat(floor, some, before, self._limits(seconds))
        places = answer.places or before
        better = self._cost_of(some, places) < was
        if self._cost_of(some, places) > was:
            places = before
        for stand in some:
            floor.put(stand, places.get(stand.key, ()))
        self.costs[at] += self._cost_of(some, places) - was
        if better:
            self._better(at)
        return better

    def _some(self, at: int, size: int) -> list[Stand]:
        """A stand that costs something, and some of those that stand there at the same time."""
        floor, stands = self.floors[at], self._free(at)
        bad = [s for s in stands if self._one_cost(s, floor.places.get(s.key, ()))]
        seed = self.rng.choice(bad or stands)
        gap = floor.area.gap
        beside = [
            s
            for s in stands
            if s is not seed
            and s.enters < seed.leaves + gap
            and seed.enters < s.leaves + gap
            and seed.bench in (None, s.bench or seed.bench)
        ]
        near = self.rng.random() < 0.5
        if near:  # on one or two benches, with their neighbours in time
            benches = self.rng.sample(floor.area.benches, min(2, len(floor.area.benches)))
            keys = {bench.key for bench in benches}
            reach = max(seed.periods, 1)
            beside = [
                s
                for s in stands
                if s is not seed
                and any(block.bench in keys for block in floor.places.get(s.key, ()))
                and s.enters < seed.leaves + reach
                and seed.enters < s.leaves + reach
            ]
        self.rng.shuffle(beside)
        return [seed, *beside[: size - 1]]

    def _one_cost(self, stand: Stand, blocks: tuple[Block, ...]) -> int:
        return stand_cost(self.problem, stand, blocks)

    def _cost_of(self, stands: list[Stand], places: Places) -> int:
        return sum(self._one_cost(stand, places.get(stand.key, ())) for stand in stands)

    def _back(self, floor: Floor, stands: list[Stand], before: Places) -> None:
        for stand in stands:
            floor.take(stand)
        for stand in stands:
            floor.put(stand, before.get(stand.key, ()))

    def _limits(self, seconds: float) -> Limits:
        limits = self.clock.limits
        return Limits(seconds, limits.threads, self.rng.randrange(2**30), stop=limits.stop)

    def _done(self, at: int) -> bool:
        return self.costs[at] <= self.bounds[at] or self.clock.stopped()

    def _better(self, at: int) -> None:
        """Remembers the map of an area; an interrupted step leaves stands taken up."""
        self.best[at] = dict(self.floors[at].places)
        self._report()

    def _report(self) -> None:
        self.clock.report(sum(self.costs), sum(self.bounds))

    def _plan(self) -> Plan:
        places: dict[str, tuple[Block, ...]] = {}
        for best in self.best:
            places.update((key, blocks) for key, blocks in best.items() if blocks)
        return Plan(places)

    def outcome(self) -> Outcome[Plan]:
        plan = self._plan()
        total = cost(self.problem, plan)
        bound = min(total, sum(self.bounds))
        status = Status.OPTIMAL if bound == total else Status.FEASIBLE
        if status is not Status.OPTIMAL and self.clock.stopped():
            status = Status.STOPPED
        self.notes |= {
            "in_one_block": in_one_block(self.problem, plan),
            "places_short": sum(
                missing(stand, plan.places.get(stand.key, ())) for stand in self.problem.stands
            ),
        }
        plan = replace(plan, cost=total, bound=bound)
        return Outcome(plan, total, bound, self.clock.seconds(), status, self.notes)


def first_map(problem: Problem) -> Plan:
    """Which map does first fit alone draw? It is there at once."""
    places: dict[str, tuple[Block, ...]] = {}
    for area in problem.areas:
        places.update((k, b) for k, b in first_fit(problem, area).places.items() if b)
    plan = Plan(places)
    return replace(plan, cost=cost(problem, plan))
