"""Who does what on which day? A rota by hand's rule at once, then CP-SAT from there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

from solver.late import Late
from solver.rota.judge import cost, person_cost, violations
from solver.rota.problem import Plan, Problem, Task, Turn
from solver.run import Clock, CpAnswer, Limits, Outcome, Status, keeping_the_best, run_cp_sat

if TYPE_CHECKING:
    from ortools.sat.python import cp_model
else:
    cp_model = Late("ortools.sat.python.cp_model")

_MOST_TEAMS = 200


def solve(problem: Problem, limits: Limits) -> Outcome[Plan]:
    """Which rota costs least? Always gives one, judged without the solver.

    Progress and stop as in `Limits`; a stop or Ctrl-C keeps the best rota so far.
    """
    clock = Clock(limits)
    plan = first_rota(problem)
    best, bound, status = cost(problem, plan), 0, Status.FEASIBLE
    notes: dict[str, float] = {"cost_first_rota": best}
    clock.report(best, 0)
    with keeping_the_best(clock):
        if best and clock.left():
            model = _Model(problem, plan)
            answer = run_cp_sat(model.cp, clock.rest())
            bound, status = max(0, answer.bound or 0), answer.status
            if answer.solution:
                found = model.plan(answer)
                if not violations(problem, found) and cost(problem, found) < best:
                    plan, best = found, cost(problem, found)
    bound = min(bound, best)
    if bound == best:
        status = Status.OPTIMAL
    elif status is not Status.STOPPED:
        status = Status.STOPPED if clock.stopped() else Status.FEASIBLE
    plan = replace(plan, cost=best, bound=bound)
    return Outcome(plan, best, bound, clock.seconds(), status, notes)


def first_rota(problem: Problem, kept: Plan | None = None) -> Plan:
    """Which rota is there at once? Each task in turn goes to the day and people it costs least.

    In the order of the latest day, what others wait for first; on the earlier of two equal days
    if something waits for it. Turns of a `kept` rota stay as they are, where they still may.
    """
    turns = still_held(problem, kept) if kept is not None else {}
    minutes = {person.key: [0] * problem.days for person in problem.people}
    for key, turn in turns.items():
        for person in turn.people:
            minutes[person][turn.day] += problem.task_of[key].minutes
    waited_for = {first.task for task in problem.tasks for first in task.after}
    for task in problem.in_order:
        if task.key in turns or any(first.task not in turns for first in task.after):
            continue
        ready = _ready(turns, task)
        choice = [
            (_more(problem, minutes, task, turn), turn.day, turn.people, turn)
            for day in problem.days_of(task)
            if day >= ready
            for turn in _teams(problem, minutes, task, day)
        ]
        if not choice:
            continue
        early = task.key in waited_for
        best = min(choice, key=lambda c: (c[1], c[0], c[2]) if early else (c[0], c[1], c[2]))
        if best[0] >= problem.undone(task):
            continue
        turns[task.key] = best[3]
        for person in best[3].people:
            minutes[person][best[3].day] += task.minutes
    return Plan(turns)


def still_held(problem: Problem, kept: Plan) -> dict[str, Turn]:
    """Which turns of a kept rota may stay? Those on a day and by people that are still allowed.

    A turn that waits for another stays only where that one stays and is early enough.
    """
    turns: dict[str, Turn] = {}
    for task in problem.in_order:
        turn = kept.turns.get(task.key)
        if turn is None or any(first.task not in turns for first in task.after):
            continue
        in_time = _ready(turns, task) <= turn.day and turn.day in problem.days_of(task)
        able = in_time and set(turn.people) <= set(problem.able(task, turn.day))
        if able and len(set(turn.people)) == task.persons:
            turns[task.key] = turn
    return turns


def _ready(turns: Mapping[str, Turn], task: Task) -> int:
    """The first day on which all that this task waits for has been done."""
    return max((turns[first.task].day + first.days for first in task.after), default=0)


def _teams(problem: Problem, minutes: dict[str, list[int]], task: Task, day: int) -> Iterator[Turn]:
    able = sorted(problem.able(task, day), key=lambda person: minutes[person][day])
    if len(able) < task.persons:
        return
    for number, team in enumerate(combinations(able, task.persons)):
        if number >= _MOST_TEAMS:
            return
        yield Turn(day, team)


def _more(problem: Problem, minutes: dict[str, list[int]], task: Task, turn: Turn) -> int:
    """What does this turn add to the cost of its people?"""
    added = 0
    for person in turn.people:
        before = tuple(minutes[person])
        after = list(before)
        after[turn.day] += task.minutes
        added += person_cost(problem, person, tuple(after)) - person_cost(problem, person, before)
    return added


class _Model:
    def __init__(self, problem: Problem, start: Plan) -> None:
        self.problem = problem
        self.cp = cp_model.CpModel()
        self.on: dict[str, dict[int, Any]] = {}
        self.by: dict[tuple[str, int, str], Any] = {}
        self.cost: list[Any] = []
        for task in problem.tasks:
            self._task(task, start.turns.get(task.key))
        for task in problem.tasks:
            self._waits(task)
        self._hours()
        self.cp.minimize(sum(self.cost))

    def _task(self, task: Task, hint: Turn | None) -> None:
        cp, problem = self.cp, self.problem
        self.on[task.key] = {}
        for day in problem.days_of(task):
            able = problem.able(task, day)
            if len(able) < task.persons:
                continue
            on = cp.new_bool_var("")
            cp.add_hint(on, hint is not None and hint.day == day)
            self.on[task.key][day] = on
            team = []
            for person in able:
                by = cp.new_bool_var("")
                its = hint is not None and hint.day == day and person in hint.people
                cp.add_hint(by, its)
                self.by[task.key, day, person] = by
                team.append(by)
            cp.add(sum(team) == task.persons * on)
        done = list(self.on[task.key].values())
        cp.add_at_most_one(done)
        self.cost.append(problem.undone(task) * (1 - sum(done)))

    def _waits(self, task: Task) -> None:
        for first in task.after:
            for day, on in self.on[task.key].items():
                early = [x for d, x in self.on[first.task].items() if d + first.days <= day]
                self.cp.add(sum(early) >= on)

    def _hours(self) -> None:
        problem, cp = self.problem, self.cp
        most = sum(task.minutes for task in problem.tasks)
        for person in problem.people:
            days = []
            for day in range(problem.days):
                does = [
                    task.minutes * self.by[task.key, day, person.key]
                    for task in problem.tasks
                    if (task.key, day, person.key) in self.by
                ]
                if not does:
                    continue
                days.append(sum(does))
                for limit, price in (
                    (person.minutes[day], problem.long_day_cost),
                    (problem.even_share[person.key][day], problem.uneven_cost),
                ):
                    over = cp.new_int_var(0, most, "")
                    cp.add(over >= days[-1] - limit)
                    self.cost.append(price * over)
            if not days:
                continue
            over, beyond = cp.new_int_var(0, most, ""), cp.new_int_var(0, most, "")
            cp.add(over >= sum(days) - person.week)
            cp.add(beyond >= over - person.overtime)
            self.cost.append(problem.overtime_cost * over)
            self.cost.append((problem.beyond_cost - problem.overtime_cost) * beyond)

    def plan(self, answer: CpAnswer) -> Plan:
        turns = {}
        for task in self.problem.tasks:
            for day, on in self.on[task.key].items():
                if answer.value(on):
                    team = tuple(
                        person.key
                        for person in self.problem.people
                        if (by := self.by.get((task.key, day, person.key))) is not None
                        and answer.value(by)
                    )
                    turns[task.key] = Turn(day, team)
        return Plan(turns)
