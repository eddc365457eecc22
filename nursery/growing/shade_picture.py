"""How does a shade calendar look? Weeks to the right, layers up: one SVG, readable without colour.

Hatched boxes are layers that are on, the thick line is how many the crops need at least, and a
cross stands over weeks in which even all layers do not keep the stated chance. Only attributes are
used, no styles, so that a page with strict rules may show it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from nursery.growing.shade_calendar import ShadeCalendar

_LEFT, _WEEK, _LAYER, _HEAD, _FOOT = 30, 12, 16, 46, 34
_FONT = 'font-family="sans-serif" fill="#000"'


def shade_picture(calendars: Sequence[ShadeCalendar]) -> str:
    """Which SVG shows these calendars, one under the other? Complete, as text."""
    weeks = max((len(one.weeks) for one in calendars), default=0)
    width = _LEFT + weeks * _WEEK + 24
    parts: list[str] = []
    top = 28
    for calendar in calendars:
        parts.extend(_strip(calendar, top))
        top += _HEAD + calendar.most_layers * _LAYER + _FOOT
    said = "Hatched: layers on. Thick line: layers needed. x: all layers do not suffice."
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {top}" '
            f'width="{width}" height="{top}" role="img" aria-labelledby="shade-title shade-text">',
            '<title id="shade-title">Shade calendar</title>',
            f'<desc id="shade-text">{said} The list of changes says the same in words.</desc>',
            '<defs><pattern id="layer-on" width="6" height="6" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><rect width="6" height="6" fill="#fff"/>'
            '<line x1="0" y1="0" x2="0" y2="6" stroke="#000" stroke-width="2.4"/></pattern></defs>',
            f'<rect width="{width}" height="{top}" fill="#fff"/>',
            f'<text x="4" y="16" font-size="11" {_FONT}>{said}</text>',
            *parts,
            "</svg>",
        ]
    )


def _strip(one: ShadeCalendar, top: int) -> Iterator[str]:
    floor = top + _HEAD + one.most_layers * _LAYER
    right = _LEFT + len(one.weeks) * _WEEK
    kept = "kept" if one.kept else "proposed"
    yield (
        f'<text x="4" y="{top + 14}" font-size="13" font-weight="bold" {_FONT}>'
        f"{escape(one.area)}: under {one.limit_c:g} °C in {one.stated:.0%} of years, {kept}</text>"
    )
    for layer in range(one.most_layers + 1):
        y = floor - layer * _LAYER
        yield _line(_LEFT, y, right, y, 0.5)
        yield f'<text x="16" y="{y + 4}" font-size="10" {_FONT}>{layer}</text>'
    yield from _months(one, floor)
    for n, week in enumerate(one.weeks):
        x, y = _LEFT + n * _WEEK, floor - week.layers * _LAYER
        if week.layers:
            yield (
                f'<rect x="{x}" y="{y}" width="{_WEEK}" height="{week.layers * _LAYER}" '
                f'fill="url(#layer-on)" stroke="#000" stroke-width="0.6"/>'
            )
        if not week.enough:
            yield _line(x + 2, y - 9, x + _WEEK - 2, y - 3, 1.6)
            yield _line(x + 2, y - 3, x + _WEEK - 2, y - 9, 1.6)
    yield _needed(one, floor)
    yield from _changes(one, floor)


def _months(one: ShadeCalendar, floor: int) -> Iterator[str]:
    shown = 0
    for n, week in enumerate(one.weeks):
        if week.monday.month != shown and (n == 0 or week.monday.day <= 7):
            shown = week.monday.month
            x = _LEFT + n * _WEEK
            yield _line(x, floor, x, floor + 5, 1)
            name = f"{week.monday:%b}"
            yield f'<text x="{x + 2}" y="{floor + 14}" font-size="10" {_FONT}>{name}</text>'


def _needed(one: ShadeCalendar, floor: int) -> str:
    points = []
    for n, week in enumerate(one.weeks):
        y = floor - week.needed * _LAYER
        points += [f"{_LEFT + n * _WEEK},{y}", f"{_LEFT + (n + 1) * _WEEK},{y}"]
    return f'<polyline points="{" ".join(points)}" fill="none" stroke="#000" stroke-width="3"/>'


def _changes(one: ShadeCalendar, floor: int) -> Iterator[str]:
    """The day of each change, over the strip; every other one higher, so that none overlap."""
    first = one.weeks[0].monday if one.weeks else None
    for n, change in enumerate(one.changes):
        if first is None:
            return
        x = _LEFT + (change.by - first).days // 7 * _WEEK
        y = floor - one.most_layers * _LAYER - (6 if n % 2 else 17)
        sign = "+" if change.layers > change.before else "-"
        words = f"{sign}{abs(change.layers - change.before)} {change.by:%d %b}"
        yield _line(x, y, x, floor, 1, "2 2")
        yield f'<text x="{x + 2}" y="{y}" font-size="10" {_FONT}>{words}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, width: float, dashes: str = "") -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke="#000" '
        f'stroke-width="{width}"{dashed}/>'
    )
