"""How is the bench map drawn? Bench by bench: days to the right, places down, bars for batches.

Sizes are units of the picture, 360 of them wide, so that on a small phone one is about one pixel.
Places are squeezed: between two places at which a bar begins or ends, all are drawn as one row that
is high enough for a label. What a bar says does not depend on colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from nursery.planning.bench_map import BenchMap, BenchRow, Slot

WEEKS = 4
LEFT, DAY, TOP, ROW, FREE = 38, 11.5, 30, 20, 11
_LETTER = 7.3
"""About as wide as a letter is in the bars' type."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A batch on its places. `label` is what fits into the bar, `says` all of it.

    `kind` is "standing" (it stands there now) or "coming"; `row` numbers its line below.
    """

    x: float
    y: float
    width: float
    height: float
    label: str
    says: str
    kind: str
    row: int


@dataclass(frozen=True, slots=True)
class Box:
    """Places that are being cleaned, or out of use."""

    x: float
    y: float
    width: float
    height: float
    kind: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A place's number at the left edge, or a week at the top."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Line:
    """One batch in words, for the list under the picture and for those who cannot see it."""

    row: int
    name: str
    crop: str
    stage: str
    places: str
    when: str
    blocks: int


@dataclass(frozen=True)
class BenchPicture:
    """One bench, drawn. `today` is where this day is, None where it is not in the picture."""

    row: BenchRow
    width: float
    height: float
    bars: tuple[Bar, ...]
    boxes: tuple[Box, ...]
    places: tuple[Mark, ...]
    weeks: tuple[Mark, ...]
    today: float | None
    lines: tuple[Line, ...]


def pictures(found: BenchMap, today: date) -> tuple[BenchPicture, ...]:
    """How does each bench look in the four weeks from the map's week on?"""
    return tuple(_picture(row, found, today) for row in found.benches)


def _picture(row: BenchRow, found: BenchMap, today: date) -> BenchPicture:
    first, end = found.first_day, found.first_day + timedelta(weeks=WEEKS)
    gap = timedelta(days=row.cleaning_days)
    slots = sorted(
        (
            slot
            for slot in found.all_slots
            if slot.bench == row.bench and slot.enters_on < end and slot.leaves_on + gap > first
        ),
        key=lambda slot: (slot.first_place, slot.enters_on),
    )
    rows = _rows(row, slots)
    height = TOP + rows[row.places]
    bars, boxes = [], list(_out(row, first, end, height))
    for number, slot in enumerate(slots, start=1):
        y, until = TOP + rows[slot.first_place - 1], TOP + rows[slot.last_place]
        clean = _across(slot.leaves_on, slot.leaves_on + gap, first, end)
        if clean is not None:
            boxes.append(Box(*_flat(clean, y, until), "cleaned"))
        there = _across(slot.enters_on, slot.leaves_on, first, end)
        if there is not None:
            x, width = there
            kind = "standing" if slot.fixed else "coming"
            label = _fitting(number, name_of(slot), width)
            bars.append(Bar(x, y, width, until - y, label, _says(slot), kind, number))
    return BenchPicture(
        row=row,
        width=LEFT + WEEKS * 7 * DAY,
        height=height,
        bars=tuple(bars),
        boxes=tuple(boxes),
        places=tuple(
            Mark(TOP + at, str(place + 1)) for place, at in rows.items() if place < row.places
        ),
        weeks=tuple(
            Mark(LEFT + n * 7 * DAY, f"{first + timedelta(weeks=n):%d %b}") for n in range(WEEKS)
        ),
        today=LEFT + (today - first).days * DAY if first <= today < end else None,
        lines=tuple(_line(slot, number) for number, slot in enumerate(slots, start=1)),
    )


def _rows(row: BenchRow, slots: Sequence[Slot]) -> dict[int, float]:
    """How far down does each place begin or end at which a bar does? In units from the top."""
    edges = {0, row.places}
    for slot in slots:
        edges |= {slot.first_place - 1, min(slot.last_place, row.places)}
    found, down = {}, 0.0
    ordered = sorted(edges)
    for edge, after in zip(ordered, [*ordered[1:], None], strict=True):
        found[edge] = down
        if after is not None:
            used = any(s.first_place - 1 <= edge and after <= s.last_place for s in slots)
            down += ROW if used else FREE
    return found


def _across(begins: date, ends: date, first: date, end: date) -> tuple[float, float] | None:
    """From where, and how wide, is the part of these days that is in the picture?"""
    begins, ends = max(begins, first), min(ends, end)
    if ends <= begins:
        return None
    return LEFT + (begins - first).days * DAY, (ends - begins).days * DAY


def _flat(across: tuple[float, float], y: float, until: float) -> tuple[float, float, float, float]:
    return across[0], y, across[1], until - y


def _out(row: BenchRow, first: date, end: date, height: float) -> list[Box]:
    """The days on which the bench is out of use."""
    if row.out_from is None and row.out_until is None:
        return []
    last = end if row.out_until is None else row.out_until + timedelta(days=1)
    across = _across(row.out_from or first, last, first, end)
    return [] if across is None else [Box(*_flat(across, TOP, height), "out")]


def name_of(slot: Slot) -> str:
    """How is it called on the map? By its code; "new" and its crop where it is only planned."""
    return slot.what.batch or f"new {slot.what.crop}"


def _fitting(number: int, name: str, width: float) -> str:
    """The number of its line, and its name where that fits; a day's bar is too narrow for both."""
    letters = int((width - 4) / _LETTER)
    whole = f"{number} {name}"
    if len(whole) <= letters:
        return whole
    if letters >= len(str(number)) + 8:
        return f"{whole[: letters - 1].rstrip()}…"
    return str(number) if len(str(number)) <= letters else ""


def _says(slot: Slot) -> str:
    what = slot.what
    crop = f", {what.crop}" if what.batch else ""
    return f"{name_of(slot)}{crop}, {what.stage}, {slot.label}: {_when(slot)}"


def _when(slot: Slot) -> str:
    comes = "stands there" if slot.fixed else f"comes {slot.enters_on:%a %d %b}"
    return f"{comes}, leaves {slot.leaves_on:%a %d %b}"


def _line(slot: Slot, number: int) -> Line:
    what = slot.what
    places = slot.label.removeprefix(f"{slot.bench}, ")
    name = what.batch or f"new, {what.planned_week}"
    return Line(number, name, what.crop, what.stage, places, _when(slot), slot.blocks)
