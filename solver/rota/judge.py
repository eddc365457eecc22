"""Can a rota be followed, what does it cost, and whose hours does it exceed? Without a solver."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from solver.rota.problem import Plan, Problem, Task, Turn


@dataclass(frozen=True, slots=True)
class Hours:
    """How long does a person work in the week and on each day, and how much of it is too long?

    `overtime` are minutes beyond the week's, `beyond` those of them that exceed the overtime that
    was agreed, `long_days` (day, minutes) what exceeds the person's time on a day.
    """

    person: str
    minutes: tuple[int, ...]
    overtime: int
    beyond: int
    long_days: tuple[tuple[int, int], ...]


def violations(problem: Problem, plan: Plan) -> list[str]:
    """What forbids this rota? One sentence each; empty when it can be followed.

    Hours that are exceeded and tasks left undone forbid nothing: they are priced and told.
    """
    found: list[str] = []
    for key, turn in plan.turns.items():
        task = problem.task_of.get(key)
        if task is None:
            found.append(f"Task {key!r} is not in the problem")
        else:
            found.extend(_wrong(problem, task, turn))
            found.extend(_hurried(plan, task, turn))
    return found


def _wrong(problem: Problem, task: Task, turn: Turn) -> Iterator[str]:
    if not task.earliest <= turn.day <= task.latest:
        yield f"Task {task.key!r} is on day {turn.day}, not in {task.earliest}..{task.latest}"
        return
    if turn.day not in problem.days_of(task):
        yield f"Task {task.key!r}: '{task.kind}' is not done on day {turn.day}"
    if len(set(turn.people)) != task.persons or len(turn.people) != task.persons:
        yield f"Task {task.key!r} needs {task.persons} persons, got {sorted(turn.people)}"
    able = problem.able(task, turn.day)
    for person in sorted(set(turn.people) - set(able)):
        yield f"Task {task.key!r}: {person!r} is not in on day {turn.day}, or cannot do it"


def _hurried(plan: Plan, task: Task, turn: Turn) -> Iterator[str]:
    for first in task.after:
        before = plan.turns.get(first.task)
        if before is None:
            yield f"Task {task.key!r} waits for {first.task!r}, which is left undone"
        elif turn.day < before.day + first.days:
            yield f"Task {task.key!r} comes before {first.task!r} is done for {first.days} days"


def cost(problem: Problem, plan: Plan) -> int:
    """What does this rota cost? Raises ValueError if it violates a rule."""
    wrong = violations(problem, plan)
    if wrong:
        raise ValueError(f"Rota plan: {wrong[0]} ({len(wrong)} in all)")
    undone = sum(problem.undone(task) for task in problem.tasks if task.key not in plan.turns)
    return undone + sum(person_cost(problem, *row) for row in worked(problem, plan).items())


def person_cost(problem: Problem, key: str, minutes: tuple[int, ...]) -> int:
    """What do so many minutes on each day cost for this person: too long, and uneven?"""
    person, share = problem.person_of[key], problem.even_share[key]
    over = max(0, sum(minutes) - person.week)
    beyond = max(0, over - person.overtime)
    long = sum(max(0, m - d) for m, d in zip(minutes, person.minutes, strict=True))
    uneven = sum(max(0, m - s) for m, s in zip(minutes, share, strict=True))
    return (
        problem.overtime_cost * (over - beyond)
        + problem.beyond_cost * beyond
        + problem.long_day_cost * long
        + problem.uneven_cost * uneven
    )


def worked(problem: Problem, plan: Plan) -> Mapping[str, tuple[int, ...]]:
    """How many minutes does each person work on each day?"""
    found = {person.key: [0] * problem.days for person in problem.people}
    for key, turn in plan.turns.items():
        for person in turn.people:
            found[person][turn.day] += problem.task_of[key].minutes
    return {person: tuple(minutes) for person, minutes in found.items()}


def hours(problem: Problem, plan: Plan) -> tuple[Hours, ...]:
    """Who works how long, and who is over their hours? In the order of the people."""
    found = []
    for key, minutes in worked(problem, plan).items():
        person = problem.person_of[key]
        over = max(0, sum(minutes) - person.week)
        days = enumerate(zip(minutes, person.minutes, strict=True))
        found.append(
            Hours(
                person=key,
                minutes=minutes,
                overtime=over,
                beyond=max(0, over - person.overtime),
                long_days=tuple((day, m - there) for day, (m, there) in days if m > there),
            )
        )
    return tuple(found)


def undone(problem: Problem, plan: Plan) -> dict[str, str]:
    """Which tasks are left undone, and what is the first reason that binds?"""
    return {
        task.key: _why(problem, plan, task) for task in problem.tasks if task.key not in plan.turns
    }


def _why(problem: Problem, plan: Plan, task: Task) -> str:
    days = problem.days_of(task)
    if not days:
        return f"'{task.kind}' is not to be done on any of its days"
    able = max(len(problem.able(task, day)) for day in days)
    if not able and task.skill:
        return f"nobody who can do '{task.skill}' is in on its days"
    if not able:
        return "nobody is in on its days"
    if able < task.persons:
        return f"it needs {task.persons} people at once, {able} are in on its days"
    if any(first.task not in plan.turns for first in task.after):
        return "a task that it waits for is left undone"
    if task.after:
        return "what it waits for is done too late in the week"
    return "there is no time for it"
