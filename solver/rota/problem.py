"""What is to be done this week, who is in on which day, and what must wait for what? The rota.

Days are 0..days-1, all numbers are whole, times are minutes. The JSON forms are `rota-problem/1`
and `rota-plan/1`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property

from pydantic import Field

from solver.form import Amount, Shape, Whole, read_shape
from solver.sizes import refuse_inexact, refuse_large

PROBLEM_FORM = "rota-problem/1"
PLAN_FORM = "rota-plan/1"
MOST_DAYS = 366
"""A rota of more days is a slip: each task is looked at on each of its days."""


@dataclass(frozen=True, slots=True)
class Person:
    """Who works for how many minutes on each day (0: not in), and what can they do?

    `overtime` are minutes in the week beyond those of the days that they are in.
    """

    key: str
    minutes: tuple[int, ...]
    overtime: int = 0
    skills: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if min(*self.minutes, self.overtime, 0) < 0:
            raise ValueError(f"Person {self.key!r}: minutes must be >= 0; correct them")
        refuse_large(f"Person {self.key!r}", *self.minutes, self.overtime)

    @property
    def week(self) -> int:
        """How many minutes are theirs in the week, without overtime?"""
        return sum(self.minutes)


@dataclass(frozen=True, slots=True)
class After:
    """Which task must be done first, and how many days before?"""

    task: str
    days: int = 0

    def __post_init__(self) -> None:
        if self.days < 0:
            raise ValueError(f"After {self.task!r}: days must be >= 0, got {self.days}")


@dataclass(frozen=True, slots=True)
class Task:
    """What takes how long, from which day to which (both included), and who can do it?

    `persons` do it together on one day, each for the `minutes`, and each has the `skill`, if any.
    `kind` may have days on which it is not done (`Problem.not_on`). Left undone it costs
    `undone_cost` (None: what the problem says).
    """

    key: str
    kind: str
    minutes: int
    earliest: int
    latest: int
    persons: int = 1
    skill: str = ""
    after: tuple[After, ...] = ()
    undone_cost: int | None = None

    def __post_init__(self) -> None:
        if self.minutes < 0 or self.persons < 1 or self.latest < self.earliest:
            found = f"{self.minutes} minutes, {self.persons} persons, days {self.earliest} to "
            raise ValueError(
                f"Task {self.key!r}: minutes >= 0, persons >= 1, latest >= earliest, got "
                f"{found}{self.latest}"
            )
        if self.undone_cost is not None and self.undone_cost < 0:
            found = f"got {self.undone_cost}; correct it"
            raise ValueError(f"Task {self.key!r}: to leave it undone must cost >= 0, {found}")
        refuse_large(f"Task {self.key!r}", self.minutes, self.persons, self.undone_cost or 0)


@dataclass(frozen=True)
class Problem:
    """Who does what on which day? Raises ValueError, naming the part, if it cannot be read.

    A minute of a person beyond their week costs `overtime_cost`, beyond their overtime
    `beyond_cost`, beyond their day `long_day_cost`, and beyond an even share of all work for their
    day `uneven_cost`; a task left undone `undone_cost`.
    """

    days: int
    people: tuple[Person, ...]
    tasks: tuple[Task, ...]
    not_on: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    overtime_cost: int = 50
    beyond_cost: int = 500
    long_day_cost: int = 20
    uneven_cost: int = 2
    undone_cost: int = 1_000_000
    name: str = ""

    def __post_init__(self) -> None:
        if not 0 <= self.days <= MOST_DAYS:
            found = f"got {self.days}; plan fewer"
            raise ValueError(f"Rota problem: days must be in 0..{MOST_DAYS}, {found}")
        if len(self.person_of) != len(self.people) or len(self.task_of) != len(self.tasks):
            raise ValueError("Rota problem: a person's or task's key stands twice; rename one")
        costs = (self.overtime_cost, self.beyond_cost, self.long_day_cost, self.uneven_cost)
        if min(*costs, self.undone_cost) < 0:
            raise ValueError("Rota problem: costs must be >= 0; correct them")
        if self.beyond_cost < self.overtime_cost:
            raise ValueError("Rota problem: beyond overtime must cost no less than overtime")
        for person in self.people:
            if len(person.minutes) != self.days:
                found = f"{len(person.minutes)} for {self.days} days"
                raise ValueError(f"Person {person.key!r}: one number of minutes a day, got {found}")
        for task in self.tasks:
            if task.earliest < 0 or task.latest >= self.days:
                raise ValueError(f"Task {task.key!r}: days must be in 0..{self.days - 1}")
            if any(first.task not in self.task_of for first in task.after):
                raise ValueError(f"Task {task.key!r}: it waits for a task that is not there")
        self.in_order  # noqa: B018  (raises where tasks wait for one another)
        minutes = sum(task.minutes * min(task.persons, len(self.people)) for task in self.tasks)
        a_minute = self.overtime_cost + self.beyond_cost + self.long_day_cost + self.uneven_cost
        undone = sum(self.undone(task) for task in self.tasks)
        refuse_inexact("Rota problem", undone + minutes * a_minute)

    @cached_property
    def person_of(self) -> Mapping[str, Person]:
        return {person.key: person for person in self.people}

    @cached_property
    def task_of(self) -> Mapping[str, Task]:
        return {task.key: task for task in self.tasks}

    @cached_property
    def in_order(self) -> tuple[Task, ...]:
        """The tasks so that each comes after those that it waits for; else in order of latest day.

        Raises ValueError where tasks wait for one another.
        """
        left = sorted(self.tasks, key=lambda task: (task.latest, task.earliest, task.key))
        done: dict[str, Task] = {}
        while left:
            free = [t for t in left if all(first.task in done for first in t.after)]
            if not free:
                raise ValueError(f"Tasks {[t.key for t in left]} wait for one another; mend one")
            done[free[0].key] = free[0]
            left.remove(free[0])
        return tuple(done.values())

    @cached_property
    def even_share(self) -> Mapping[str, tuple[int, ...]]:
        """How many minutes would each person do on each day if all work were spread evenly?

        Rounded up; never more than the person's day.
        """
        work = sum(task.minutes * task.persons for task in self.tasks)
        there = sum(person.week for person in self.people)
        if not there:
            return {person.key: (0,) * self.days for person in self.people}
        return {
            person.key: tuple(min(day, -(-work * day // there)) for day in person.minutes)
            for person in self.people
        }

    def days_of(self, task: Task) -> tuple[int, ...]:
        """On which days may this task be done, whoever is in?"""
        shut = set(self.not_on.get(task.kind, ()))
        return tuple(d for d in range(task.earliest, task.latest + 1) if d not in shut)

    def able(self, task: Task, day: int) -> tuple[str, ...]:
        """Who is in on this day and can do this task?"""
        return tuple(
            person.key
            for person in self.people
            if person.minutes[day] > 0 and (not task.skill or task.skill in person.skills)
        )

    def undone(self, task: Task) -> int:
        """What does it cost to leave this task undone?"""
        return self.undone_cost if task.undone_cost is None else task.undone_cost

    def to_json(self) -> str:
        """The problem as text of the form rota-problem/1."""
        return json.dumps({"form": PROBLEM_FORM, **asdict(self)}, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Problem:
        """The problem in a text of the form rota-problem/1. Raises ValueError for any other."""
        data = read_shape(text, PROBLEM_FORM, "Rota problem", _ProblemShape)
        return cls(
            days=data.days,
            people=tuple(
                Person(each.key, tuple(each.minutes), each.overtime, tuple(each.skills))
                for each in data.people
            ),
            tasks=tuple(_task(each) for each in data.tasks),
            not_on={kind: tuple(days) for kind, days in data.not_on.items()},
            overtime_cost=data.overtime_cost,
            beyond_cost=data.beyond_cost,
            long_day_cost=data.long_day_cost,
            uneven_cost=data.uneven_cost,
            undone_cost=data.undone_cost,
            name=data.name,
        )


class _PersonShape(Shape):
    key: str
    minutes: list[Whole]
    overtime: Whole = 0
    skills: list[str] = Field(default_factory=list)


class _AfterShape(Shape):
    task: str
    days: Whole = 0


class _TaskShape(Shape):
    key: str
    kind: str
    minutes: Whole
    earliest: Whole
    latest: Whole
    persons: Whole = 1
    skill: str = ""
    after: list[_AfterShape] = Field(default_factory=list)
    undone_cost: Whole | None = None


class _ProblemShape(Shape):
    days: Whole
    people: list[_PersonShape]
    tasks: list[_TaskShape]
    not_on: dict[str, list[Whole]] = Field(default_factory=dict)
    overtime_cost: Whole = 50
    beyond_cost: Whole = 500
    long_day_cost: Whole = 20
    uneven_cost: Whole = 2
    undone_cost: Whole = 1_000_000
    name: str = ""


class _TurnShape(Shape):
    day: Whole
    people: list[str]


class _PlanShape(Shape):
    turns: dict[str, _TurnShape]
    cost: Amount | None = None
    bound: Amount | None = None


def _task(data: _TaskShape) -> Task:
    return Task(
        data.key,
        data.kind,
        data.minutes,
        data.earliest,
        data.latest,
        data.persons,
        data.skill,
        tuple(After(first.task, first.days) for first in data.after),
        data.undone_cost,
    )


@dataclass(frozen=True, slots=True)
class Turn:
    """On which day is a task done, and by whom?"""

    day: int
    people: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """Which turn has each task? A task that is not in `turns` is left undone."""

    turns: Mapping[str, Turn]
    cost: int | None = None
    bound: int | None = None

    def to_json(self) -> str:
        """The plan as text of the form rota-plan/1."""
        turns = {key: asdict(turn) for key, turn in self.turns.items()}
        data = {"form": PLAN_FORM, "turns": turns, "cost": self.cost, "bound": self.bound}
        return json.dumps(data, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Plan:
        """The plan in a text of the form rota-plan/1. Raises ValueError for any other."""
        data = read_shape(text, PLAN_FORM, "Rota plan", _PlanShape)
        turns = {key: Turn(turn.day, tuple(turn.people)) for key, turn in data.turns.items()}
        return cls(turns, data.cost, data.bound)
