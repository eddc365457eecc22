"""How does an area's shade calendar look on a page? Weeks to the right, layers up; no colour.

It is as wide as a small phone, so that its words can be read there. Changes are numbered as in the
list under the picture, to which their numbers lead.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from nursery.growing.shade_calendar import LayerChange, ShadeCalendar, ShadeWeek

LEFT, WEEK, LAYER, HEAD, FOOT = 16, 6, 18, 22, 18


@dataclass(frozen=True, slots=True)
class Block:
    """Weeks side by side with as many layers on: a hatched box."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Mark:
    """A change, by its number in the list."""

    number: int
    x: int
    y: int
    says: str


@dataclass(frozen=True, slots=True)
class Strip:
    """One area, ready to be drawn. Sizes in the picture's own units, one a pixel on a phone.

    `needed` are the points of the line of layers needed, `months` names with their x, `crosses`
    the middle of each week in which all layers do not suffice.
    """

    row: ShadeCalendar
    width: int
    height: int
    floor: int
    levels: tuple[tuple[int, int], ...]
    blocks: tuple[Block, ...]
    needed: str
    months: tuple[tuple[int, str], ...]
    crosses: tuple[tuple[int, int], ...]
    marks: tuple[Mark, ...]

    @property
    def says(self) -> str:
        """What is to be seen, for those who do not see it?"""
        most = max((week.layers for week in self.row.weeks), default=0)
        return (
            f"{self.row.area}: {len(self.row.weeks)} weeks, at most {most} of"
            f" {self.row.most_layers} layers on, {len(self.marks)} changes; the list under it says"
            " the same in words"
        )


def strip(one: ShadeCalendar) -> Strip:
    """The picture of one area's calendar."""
    floor = HEAD + one.most_layers * LAYER
    return Strip(
        row=one,
        width=LEFT + len(one.weeks) * WEEK + 4,
        height=floor + FOOT,
        floor=floor,
        levels=tuple((layer, floor - layer * LAYER) for layer in range(one.most_layers + 1)),
        blocks=tuple(_blocks(one.weeks, floor)),
        needed=_needed(one.weeks, floor),
        months=tuple(_months(one.weeks)),
        crosses=tuple(
            (LEFT + n * WEEK + WEEK // 2, floor - week.layers * LAYER - 6)
            for n, week in enumerate(one.weeks)
            if not week.enough
        ),
        marks=tuple(_marks(one, floor)),
    )


def _blocks(weeks: Sequence[ShadeWeek], floor: int) -> list[Block]:
    found: list[Block] = []
    for n, week in enumerate(weeks):
        x, height = LEFT + n * WEEK, week.layers * LAYER
        last = found[-1] if found else None
        if not height:
            continue
        if last is not None and last.height == height and last.x + last.width == x:
            found[-1] = Block(last.x, last.y, last.width + WEEK, height)
        else:
            found.append(Block(x, floor - height, WEEK, height))
    return found


def _needed(weeks: Sequence[ShadeWeek], floor: int) -> str:
    points = []
    for n, week in enumerate(weeks):
        y = floor - week.needed * LAYER
        points += [f"{LEFT + n * WEEK},{y}", f"{LEFT + (n + 1) * WEEK},{y}"]
    return " ".join(points)


def _months(weeks: Sequence[ShadeWeek]) -> list[tuple[int, str]]:
    """The name of every other month, at its first Monday: all twelve would run together."""
    found, shown = [], 0
    for n, week in enumerate(weeks):
        if week.monday.month != shown and week.monday.day <= 7:
            shown = week.monday.month
            if shown % 2 and LEFT + n * WEEK < LEFT + (len(weeks) - 3) * WEEK:
                found.append((LEFT + n * WEEK, f"{week.monday:%b}"))
    return found


def _marks(one: ShadeCalendar, floor: int) -> list[Mark]:
    found: list[Mark] = []
    first = one.weeks[0].monday if one.weeks else None
    for number, change in enumerate(one.changes, start=1):
        if first is not None:
            x = LEFT + max(0, (change.by - first).days) // 7 * WEEK
            y = 10 if found and found[-1].y != 10 and x - found[-1].x < 14 else 20
            found.append(Mark(number, x, y, told(change)))
    return found


def told(change: LayerChange) -> str:
    """The change in words: "Thu 1 Apr 2027: put on layer 2, 50 minutes, 2 people"."""
    people = "1 person" if change.persons == 1 else f"{change.persons} people"
    day = f"{change.by:%a} {change.by.day} {change.by:%b %Y}"
    return f"{day}: {change.what}, {change.minutes} minutes, {people}"
