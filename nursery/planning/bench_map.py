"""Where does every batch stand, and where will it stand? The bench map.

The map is solved with no transaction open and then kept; batches that stand on their places are
not moved for it, and the last map's places are taken again where nothing is won by others. Read
back, it is drawn from the kept places, and what came since takes the rooms that are left.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import insert
from sqlmodel import Session, col, delete, select

from nursery.bench_slot import BenchSlot, StandApart
from nursery.crop import Crop
from nursery.database import Database, today
from nursery.errors import Fault, Refusal, Refused
from nursery.growing_area import Bench
from nursery.locks import lock_site
from nursery.planning.bench_problem import BenchBook, StandInfo, bench_book
from nursery.weeks import Week
from solver.benching import Plan, Stand, first_map, in_one_block, shortages, solve, violations
from solver.run import Limits as Limits  # named by callers that may not know the solver

WEEKS = 26
"""How many weeks a map looks ahead."""
MOST_AHEAD = 104
"""Weeks ahead for which a map is drawn: everything between is grown first, week by week."""


@dataclass(frozen=True, slots=True)
class Slot:
    """Places of a bench, side by side, for one batch in one stage.

    `first_place` counts from 1. `leaves_on` is the first day on which they are free, to be cleaned.
    `blocks` is how many blocks the batch stands in altogether, `fixed` whether it stands there now.
    """

    area: str
    bench: str
    first_place: int
    places: int
    enters_on: date
    leaves_on: date
    what: StandInfo
    blocks: int
    fixed: bool

    @property
    def last_place(self) -> int:
        """The last place of the block, counted from 1."""
        return self.first_place + self.places - 1

    @property
    def label(self) -> str:
        """Where is it, as a sheet says it? "North 2, places 5-14"."""
        if self.places == 1:
            return f"{self.bench}, place {self.first_place}"
        return f"{self.bench}, places {self.first_place}-{self.last_place}"


@dataclass(frozen=True, slots=True)
class BenchRow:
    """A bench on the map: how long a place is cleaned, and when it is out of use."""

    area: str
    growing_area: str
    bench: str
    places: int
    cleaning_days: int
    out_from: date | None
    out_until: date | None

    def out_of_use(self, day: date) -> bool:
        """Is it out of use on this day?"""
        if self.out_from is None and self.out_until is None:
            return False
        begun = self.out_from is None or self.out_from <= day
        return begun and (self.out_until is None or day <= self.out_until)


@dataclass(frozen=True, slots=True)
class ShortPlaces:
    """So many tray places are missing in a kind of area, from one day until before another."""

    area: str
    first_day: date
    until: date
    places: int


@dataclass(frozen=True)
class BenchMap:
    """The benches in one week. `slots` are those of the week, `all_slots` those of all weeks.

    `stands` batches are on the map of all weeks, `in_one_block` of them in one block each; `short`
    is what does not fit, in all weeks; `without_place` who has fewer places than needed this week.
    """

    week: str
    first_day: date
    plan_version: int | None
    benches: tuple[BenchRow, ...]
    slots: tuple[Slot, ...]
    all_slots: tuple[Slot, ...]
    stands: int
    in_one_block: int
    short: tuple[ShortPlaces, ...]
    without_place: tuple[tuple[StandInfo, int], ...]
    notes: tuple[str, ...]
    seconds: float = 0.0

    @property
    def days(self) -> tuple[date, ...]:
        """The seven days of the week, Monday first."""
        return tuple(self.first_day + timedelta(days=n) for n in range(7))

    def of(self, batch_id: int, position: int | None = None) -> tuple[Slot, ...]:
        """Where does a batch stand in a stage (any, if none is named), in all weeks?"""
        return tuple(
            slot
            for slot in self.all_slots
            if slot.what.batch_id == batch_id and position in (None, slot.what.position)
        )

    def of_start(self, planned_start_id: int) -> tuple[Slot, ...]:
        """Where does a planned start go to first?"""
        found = [s for s in self.all_slots if s.what.planned_start_id == planned_start_id]
        first = min((s.enters_on for s in found), default=None)
        return tuple(slot for slot in found if slot.enters_on == first)


def bench_map(session: Session, week: Week, weeks: int = WEEKS) -> BenchMap:
    """Where does everything stand in this week, by the kept map? Reads only, and is quick.

    What came since the map was kept takes the rooms that are left; the same books give the same
    map. Raises `Fault` for a week that has gone by, or is further off than two years.
    """
    book = bench_book(session, _long_enough(session, week, weeks))
    return _map_of(book, first_map(book.problem), week)


def plan_benches(
    db: Database, limits: Limits, week: Week | None = None, weeks: int = WEEKS
) -> BenchMap:
    """Which places does every batch take in the next weeks? Solved within the limits and kept.

    Raises `Refused` ("benches_changed") where batches were moved while it was solved, so that the
    map no longer fits.
    """
    with db.reading() as session:
        length = weeks if week is None else _long_enough(session, week, weeks)
        book = bench_book(session, length)
    outcome = solve(book.problem, limits)
    plan = outcome.found()
    with db.writing() as session:
        lock_site(session)
        fresh = bench_book(session, length)
        if fresh.problem != book.problem and violations(fresh.problem, plan):
            raise Refused(
                Refusal(
                    "benches_changed",
                    "Batches were moved while the bench map was drawn, and it no longer fits",
                    None,
                    "draw it again",
                )
            )
        found = _map_of(fresh, plan, week or fresh.horizon.start, outcome.seconds)
        keep_bench_map(session, found)
    return found


def keep_bench_map(session: Session, found: BenchMap) -> None:
    """Writes this map down in place of the one before."""
    session.exec(delete(BenchSlot))
    benches = {bench.name: bench.id or 0 for bench in _benches(session)}
    slots = [
        {
            "stand": slot.what.key,
            "bench_id": benches[slot.bench],
            "first_place": slot.first_place,
            "places": slot.places,
            "enters_on": slot.enters_on,
            "leaves_on": slot.leaves_on,
        }
        for slot in found.all_slots
    ]
    if slots:
        session.execute(insert(BenchSlot), slots)


def set_apart(session: Session, plant_group: str, places: int | None) -> StandApart:
    """Crops of this plant group stand apart from now on: on two benches, or `places` between them.

    Batches of the same crop may stand side by side. Raises `Fault` for a group that no crop is of.
    """
    _refuse_unknown(session, plant_group)
    lock_site(session)
    row = _apart_row(session, plant_group) or StandApart(plant_group=plant_group)
    row.places = places
    session.add(row)
    session.flush()
    return row


def set_together(session: Session, plant_group: str) -> None:
    """Crops of this plant group may stand side by side again. Raises as `set_apart`."""
    _refuse_unknown(session, plant_group)
    lock_site(session)
    row = _apart_row(session, plant_group)
    if row is not None:
        session.delete(row)
        session.flush()


def _refuse_unknown(session: Session, plant_group: str) -> None:
    groups = sorted({crop.plant_group for crop in session.exec(select(Crop)).all()} - {""})
    if plant_group not in groups:
        listed = ", ".join(groups) or "none"
        raise Fault("Plant group", f"must be one of {listed}", plant_group, "name one of them")


def _apart_row(session: Session, plant_group: str) -> StandApart | None:
    return session.exec(select(StandApart).where(StandApart.plant_group == plant_group)).first()


def _benches(session: Session) -> list[Bench]:
    return list(session.exec(select(Bench).order_by(col(Bench.id))).all())


def _long_enough(session: Session, week: Week, weeks: int) -> int:
    ahead = week - Week.of(today(session))
    if ahead < 0:
        raise Fault(
            "Bench map", "is drawn for this week and later ones", str(week), "name a later week"
        )
    if ahead > MOST_AHEAD:
        rule = f"is drawn for at most {MOST_AHEAD} weeks ahead"
        raise Fault("Bench map", rule, str(week), "name an earlier week")
    return max(weeks, ahead + 2)


def _map_of(book: BenchBook, plan: Plan, week: Week, seconds: float = 0.0) -> BenchMap:
    stands = book.problem.stand_of
    every = tuple(
        Slot(
            area=stands[key].area,
            bench=block.bench,
            first_place=block.first + 1,
            places=block.places,
            enters_on=book.horizon.day(stands[key].enters),
            leaves_on=book.horizon.day(stands[key].leaves),
            what=book.infos[key],
            blocks=len(blocks),
            fixed=bool(stands[key].fixed),
        )
        for key, blocks in plan.places.items()
        for block in blocks
    )
    every = tuple(sorted(every, key=lambda s: (s.bench, s.enters_on, s.first_place)))
    rows = _rows(book)
    order = {row.bench: at for at, row in enumerate(rows)}
    gap = {row.bench: timedelta(days=row.cleaning_days) for row in rows}
    first, last = week.monday(), week.sunday()
    shown = [s for s in every if s.enters_on <= last and s.leaves_on + gap[s.bench] > first]
    lack = [
        (book.infos[s.key], missing)
        for s in book.problem.stands
        if (missing := _missing(plan, s)) and _in_week(book, s, week)
    ]
    return BenchMap(
        week=str(week),
        first_day=first,
        plan_version=book.plan_version,
        benches=rows,
        slots=tuple(sorted(shown, key=lambda s: (order[s.bench], s.first_place, s.enters_on))),
        all_slots=every,
        stands=len(stands),
        in_one_block=in_one_block(book.problem, plan),
        short=tuple(
            ShortPlaces(
                one.area, book.horizon.day(one.first), book.horizon.day(one.until), one.places
            )
            for one in shortages(book.problem, plan)
        ),
        without_place=tuple(lack),
        notes=book.notes,
        seconds=seconds,
    )


def _missing(plan: Plan, stand: Stand) -> int:
    return stand.places - sum(block.places for block in plan.places.get(stand.key, ()))


def _in_week(book: BenchBook, stand: Stand, week: Week) -> bool:
    day = book.horizon.day_index(week.monday())
    return stand.enters < day + 7 and stand.leaves > day


def _rows(book: BenchBook) -> tuple[BenchRow, ...]:
    return tuple(
        BenchRow(
            area=area.key,
            growing_area=bench.growing_area,
            bench=bench.key,
            places=bench.places,
            cleaning_days=area.gap,
            out_from=book.benches[bench.key].out_from,
            out_until=book.benches[bench.key].out_until,
        )
        for area in book.problem.areas
        for bench in area.benches
    )


_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
_FREE, _CLEANED, _OUT, _MORE = ".", "-", "x", "#"


@dataclass(frozen=True)
class DrawnBench:
    """A bench as text: a line a day on which something changes, a letter a place.

    "." is free, "-" is being cleaned, "x" is out of use. `legend` has each letter's slot; a slot
    without a letter of its own is "#".
    """

    row: BenchRow
    ruler: str
    lines: tuple[tuple[date, str], ...]
    legend: tuple[tuple[str, Slot], ...]


def drawn(found: BenchMap) -> tuple[DrawnBench, ...]:
    """How does the map look in letters, bench by bench? It needs no colour."""
    return tuple(_draw(row, found) for row in found.benches)


def _draw(row: BenchRow, found: BenchMap) -> DrawnBench:
    slots = [slot for slot in found.slots if slot.bench == row.bench]
    letters: dict[str, str] = {}
    for slot in slots:
        if slot.what.key not in letters:
            at = len(letters)
            letters[slot.what.key] = _LETTERS[at] if at < len(_LETTERS) else _MORE
    lines: list[tuple[date, str]] = []
    for day in found.days:
        line = _line(row, slots, letters, day)
        if not lines or lines[-1][1] != line:
            lines.append((day, line))
    ruler = "".join(f"{n:<10d}" for n in range(1, row.places + 1, 10))[: row.places]
    return DrawnBench(
        row, ruler, tuple(lines), tuple((letters[slot.what.key], slot) for slot in slots)
    )


def _line(row: BenchRow, slots: list[Slot], letters: Mapping[str, str], day: date) -> str:
    places = [_OUT if row.out_of_use(day) else _FREE] * row.places
    cleaned = timedelta(days=row.cleaning_days)
    for slot in slots:
        if slot.leaves_on <= day < slot.leaves_on + cleaned:
            _fill(places, slot, _CLEANED)
    for slot in slots:
        if slot.enters_on <= day < slot.leaves_on:
            _fill(places, slot, letters[slot.what.key])
    return "".join(places)


def _fill(places: list[str], slot: Slot, letter: str) -> None:
    places[slot.first_place - 1 : slot.last_place] = [letter] * slot.places
