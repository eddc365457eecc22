"""Which tasks has the rota to give out, on which days, and what must wait for what?

The week sheet's lines with the places of the bench map, recurring work, and the cleaning of places
that are left. How it is cut and carried are settings of the site; local rules on lifting, heat and
sprayed plants stand above all of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from nursery.growing_area import Site
from nursery.planning.bench_map import BenchMap, Slot
from nursery.week.recurring import Round
from nursery.week.week_sheet import Task, TaskKind
from solver.rota import After

HEAVY, LIGHT = "heavy", "light"

_CARRIED = (TaskKind.START, TaskKind.MOVE, TaskKind.HARDEN_OFF, TaskKind.READY, TaskKind.DISCARD)
_LEAVING = (TaskKind.MOVE, TaskKind.HARDEN_OFF, TaskKind.READY, TaskKind.DISCARD)
_FILLING = (TaskKind.START, TaskKind.MOVE, TaskKind.HARDEN_OFF, TaskKind.READY)


@dataclass(frozen=True, slots=True)
class Work:
    """One task of the rota, as it stands on a person's sheet.

    `minutes` are those of each of its `persons`; days are 0..6 from Monday. `part` says which part
    of a long task it is ("2 of 3"). `line` is the key of the week sheet's line, "" for other work.
    """

    key: str
    what: str
    batch: str
    crop: str
    come_from: str
    go_to: str
    trays: int
    plugs: int
    minutes: int
    persons: int
    kind: str
    earliest: int
    latest: int
    skill: str = ""
    part: str = ""
    line: str = ""
    note: str = ""
    recurring: bool = False
    after: tuple[After, ...] = ()


@dataclass(frozen=True, slots=True)
class Held:
    """A line of the week sheet that is not given out, and why."""

    line: Task
    why: str


def works_of(
    tasks: Sequence[Task],
    rounds: Sequence[Round],
    found: BenchMap,
    first_day: int,
    working: Sequence[int],
    several: bool,
    here: Site,
) -> tuple[list[Work], list[Held]]:
    """Which tasks are given out in this week, from `first_day` (0 is Monday) on?

    `working` are its working days, `several` whether more than one person works here: one alone
    carries everything, in several goes. `here` says from how many trays on work is heavy, or for
    two, and from how many minutes on it is cut into parts.
    """
    working = [day for day in working if day >= first_day] or [first_day]
    held = [Held(task, task.stopped) for task in tasks if task.stopped]
    stuck = {task.batch_id for task in tasks if task.stopped and task.kind in _LEAVING}
    open_tasks = [task for task in tasks if not task.stopped]
    leaving = _leaving(open_tasks)
    works: list[Work] = []
    cleaning: dict[str, Work] = {}
    for task in open_tasks:
        goes = _goes(task, found)
        before = _left_before(goes, found)
        blocked = sorted({slot.what.batch for slot in before if slot.what.batch_id in stuck})
        if blocked:
            held.append(Held(task, f"its places are not free: {', '.join(blocked)} may not move"))
            continue
        work = _work(task, goes, found, working, several, here)
        waits: list[After] = []
        for slot in before:
            waits.extend(_waits_for(slot, leaving, cleaning, found, working, here))
        if waits:
            note = "; ".join(filter(None, (work.note, "when its places are cleaned")))
            work = replace(work, note=note, after=tuple(dict.fromkeys(waits)))
        works.extend(_parts(work, here.longest_task_minutes))
    works.extend(cleaning.values())
    works.extend(_round(one, found) for one in rounds if _index(one.day, found) >= first_day)
    return _with_parts(works), held


def _leaving(tasks: Iterable[Task]) -> Mapping[int, Task]:
    """The line with which each batch leaves its places in this week, the first of it."""
    found: dict[int, Task] = {}
    for task in tasks:
        if task.kind in _LEAVING and task.batch_id is not None:
            found.setdefault(task.batch_id, task)
    return found


def _goes(task: Task, found: BenchMap) -> tuple[Slot, ...]:
    """To which places does the bench map send it? None where it is not moved, or has no place."""
    if task.kind not in _FILLING:
        return ()
    if task.planned_start_id is not None:
        return found.of_start(task.planned_start_id)
    if task.batch_id is None:
        return ()
    first, last = found.days[0], found.days[-1]
    mine = found.of(task.batch_id)
    if task.kind is TaskKind.READY:  # later flushes join the first one's places
        ready = [slot for slot in mine if slot.what.position == 0]
        return tuple(s for s in ready if s.enters_on <= last and s.leaves_on > first)
    return tuple(
        slot
        for slot in mine
        if not slot.fixed
        and slot.what.position
        and first <= slot.enters_on <= last
        and task.go_to == slot.area
    )


def _left_before(goes: Sequence[Slot], found: BenchMap) -> list[Slot]:
    """Which slots end in this week on places that are then filled by these?

    Two batches of one area that change places on one day do not wait for one another.
    """
    first, last = found.days[0], found.days[-1]
    return [
        slot
        for slot in found.all_slots
        if first < slot.leaves_on <= last
        and any(
            slot.bench == to.bench
            and slot.leaves_on < to.enters_on
            and slot.first_place <= to.last_place
            and to.first_place <= slot.last_place
            for to in goes
        )
    ]


def _waits_for(
    slot: Slot,
    leaving: Mapping[int, Task],
    cleaning: dict[str, Work],
    found: BenchMap,
    working: Sequence[int],
    here: Site,
) -> list[After]:
    """Filling waits until the places are left and cleaned, and for the cleaning days."""
    move = leaving.get(slot.what.batch_id or 0)
    if move is None:
        return []
    gap = next((row.cleaning_days for row in found.benches if row.bench == slot.bench), 0)
    key = f"clean {slot.label}"
    cleaning[key] = Work(
        key=key,
        what="clean and disinfect",
        batch="",
        crop="",
        come_from=slot.label,
        go_to="",
        trays=0,
        plugs=0,
        minutes=math.ceil(slot.places * here.clean_minutes_a_place),
        persons=1,
        kind=LIGHT,
        earliest=working[0],
        latest=working[-1],
        note=f"when {slot.what.batch} has left",
        after=(After(_task_key(move)),),
    )
    return [After(key), After(_task_key(move), gap)]


def _task_key(task: Task) -> str:
    return task.key or f"{task.kind.value} {task.batch or task.crop} {task.lot_id or ''}".strip()


def _work(
    task: Task,
    goes: Sequence[Slot],
    found: BenchMap,
    working: Sequence[int],
    several: bool,
    here: Site,
) -> Work:
    carried = task.kind in _CARRIED
    many = carried and task.trays >= here.two_person_trays
    persons = 2 if many and several else 1
    wanted = min(_index(task.latest, found), 6)
    late = not any(day <= wanted for day in working)
    # Overdue, or due on days off: on one of the next two working days.
    latest = working[min(1, len(working) - 1)] if late else wanted
    earliest = working[0]
    if task.kind is TaskKind.DISCARD and not late:  # until then they may still be sold
        earliest = max(day for day in working if day <= wanted)
    return Work(
        key=_task_key(task),
        what=task.kind.value,
        batch=task.batch,
        crop=task.crop,
        come_from=_stands(task, found) or task.come_from,
        go_to="; ".join(slot.label for slot in goes) or task.go_to,
        trays=task.trays,
        plugs=task.plugs,
        minutes=math.ceil(task.minutes / persons),
        persons=persons,
        kind=HEAVY if carried and task.trays >= here.heavy_trays else LIGHT,
        earliest=earliest,
        latest=latest,
        line=task.key,
        note=_note(task, goes, late, many and not several, found),
    )


def _stands(task: Task, found: BenchMap) -> str:
    """Where does the batch stand now, place by place?"""
    if task.batch_id is None or task.kind is TaskKind.GAP_UP:
        return ""
    lot = task.lot_id is not None
    here = [
        slot for slot in found.of(task.batch_id) if slot.fixed and (slot.what.position == 0) >= lot
    ]
    growing = [slot for slot in here if slot.what.position]
    return "; ".join(slot.label for slot in (growing if growing and not lot else here))


def _note(task: Task, goes: Sequence[Slot], late: bool, alone: bool, found: BenchMap) -> str:
    notes = [task.note] if task.note else []
    if late:
        notes.append(f"was to be done by {task.latest:%a %d %b}")
    if alone:
        notes.append("many trays for one: carry them in several goes")
    on_map = {row.area for row in found.benches}
    if task.kind in _FILLING and not goes and task.go_to in on_map:
        notes.append("no place is free there: leave it where it is, or make room")
    return "; ".join(notes)


def _round(one: Round, found: BenchMap) -> Work:
    day = _index(one.day, found)
    return Work(
        key=f"{one.name} {one.day:%a}",
        what=one.name,
        batch="",
        crop="",
        come_from=one.place,
        go_to="",
        trays=0,
        plugs=0,
        minutes=one.minutes,
        persons=one.persons,
        kind=LIGHT,
        earliest=day,
        latest=day,
        skill=one.skill,
        note=f"assumed: {one.assumed}" if one.assumed else "",
        recurring=True,
    )


def _index(day: date, found: BenchMap) -> int:
    return (day - found.first_day).days


def _parts(work: Work, longest: int) -> list[Work]:
    """The task in parts of at most `longest` minutes, by whole trays; as it is where short."""
    number = min(math.ceil(work.minutes / longest), max(1, work.trays))
    if number <= 1:
        return [work]
    return [
        replace(
            work,
            key=f"{work.key} part {at + 1}",
            trays=_share(work.trays, at, number),
            plugs=_share(work.plugs, at, number),
            minutes=_share(work.minutes, at, number),
            part=f"{at + 1} of {number}",
        )
        for at in range(number)
    ]


def _share(whole: int, at: int, number: int) -> int:
    return whole * (at + 1) // number - whole * at // number


def _with_parts(works: list[Work]) -> list[Work]:
    """What waits for a task that was cut waits for all its parts; for one not given out, not."""
    parts: dict[str, list[str]] = {}
    for work in works:
        whole = work.key.split(" part ")[0] if work.part else work.key
        parts.setdefault(whole, []).append(work.key)
    return [
        replace(
            work,
            after=tuple(
                After(part, first.days)
                for first in work.after
                for part in parts.get(first.task, ())
            ),
        )
        for work in works
    ]
