"""Two propagation plans side by side at the command line."""

from typing import Annotated

import typer

from nursery.commands.console import (
    DATABASE,
    MOST_NUMBER,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
)
from nursery.planning.compare import PlanComparison, PlanFigures
from nursery.planning.compare import compare as compare_plans
from nursery.planning.shocks import Effect, Shock

_EURO = 10_000
_SHOWN = 20


def compare(
    a: Annotated[int, typer.Argument(help="A plan's version.", max=MOST_NUMBER)],
    b: Annotated[int, typer.Argument(help="Another plan's version.", max=MOST_NUMBER)],
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Put two propagation plans side by side: what they leave unmet, take, cost, and withstand.

    Example: nursery compare 3 4

    Both are judged on the same data where they fit them. Nothing is solved again: each shock is
    put into the data and the same starts are judged once more.
    """
    with opened(database) as db, db.reading() as session:
        found = compare_plans(session, a, b)
    if as_json:
        print_json(found)
    else:
        show_comparison(found)


def show_comparison(found: PlanComparison) -> None:
    """The comparison as the lead reads it: what differs, then what a mishap does, then starts."""
    for note in found.notes:
        say(f"Note: {note}")
    one, other = found.a, found.b
    show(
        f"Plans {one.version} and {other.version}",
        ("", _name(one), _name(other), "difference"),
        [(what, x, y, y - x) for what, x, y in _rows(one, other)],
    )
    say(
        f"Most work: plan {one.version} {one.busiest.minutes / 60:.0f} h in {one.busiest.week}, "
        f"plan {other.version} {other.busiest.minutes / 60:.0f} h in {other.busiest.week}."
    )
    show("Fullest weeks", ("area", _name(one), _name(other)), _peaks(one, other))
    if one.mothers or other.mothers:
        show(
            "Mother plants: propagules taken of the quota (the reserve is never cut)",
            ("block", "reserve", _name(one), _name(other)),
            _mothers(one, other),
        )
    show(
        "What each shock adds, nothing planned again",
        ("shock", "plan", "unmet", "late plug-days", "overtime h", "over places", "costs more"),
        _shocks(one, other),
    )
    for figures in (one, other):
        for effect in figures.shocks:
            say(f"  Plan {figures.version}, {effect.shock.value}: {effect.told}.")
    _show_changes(found)


def _name(figures: PlanFigures) -> str:
    accepted = ", accepted" if figures.accepted_by else ""
    return f"plan {figures.version}{accepted}"


def _rows(one: PlanFigures, other: PlanFigures) -> list[tuple[str, int, int]]:
    return [
        ("unmet, plugs", one.unmet_plugs, other.unmet_plugs),
        ("late plug-days", one.late_plug_days, other.late_plug_days),
        ("discards, plugs", one.discarded_plugs, other.discarded_plugs),
        ("tray places over, place-weeks", one.overflow, other.overflow),
        ("work, hours", one.minutes // 60, other.minutes // 60),
        ("overtime and beyond, hours", one.overtime // 60, other.overtime // 60),
        ("of which nobody is there for", one.beyond // 60, other.beyond // 60),
        ("batches", one.batches, other.batches),
        ("trays", one.trays, other.trays),
        ("cost", round(one.cost / _EURO), round(other.cost / _EURO)),
    ]


def _peaks(one: PlanFigures, other: PlanFigures) -> list[tuple[str, str, str]]:
    said = [
        {
            peak.area: f"{peak.used:g} of {peak.places or 'unknown'} in {peak.week}"
            + (f" ({peak.share:.0%})" if peak.share is not None else "")
            for peak in figures.peaks
        }
        for figures in (one, other)
    ]
    areas = dict.fromkeys([*said[0], *said[1]])
    return [(area, said[0].get(area, "empty"), said[1].get(area, "empty")) for area in areas]


def _mothers(one: PlanFigures, other: PlanFigures) -> list[tuple[str, int, str, str]]:
    uses = [{use.block: use for use in figures.mothers} for figures in (one, other)]
    found = []
    for block in dict.fromkeys([*uses[0], *uses[1]]):
        said = [
            f"{use.taken} of {use.quota}; most in {use.fullest_week}: {use.taken_then} of"
            f" {use.quota_then}"
            if use is not None and use.taken
            else "nothing"
            for use in (each.get(block) for each in uses)
        ]
        reserve = next(each[block].reserve for each in uses if block in each)
        found.append((block, reserve, said[0], said[1]))
    return found


def _shocks(one: PlanFigures, other: PlanFigures) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for shock in Shock:
        for figures in (one, other):
            rows += [_shock(figures, each) for each in figures.shocks if each.shock is shock]
    return rows


def _shock(figures: PlanFigures, effect: Effect) -> tuple[object, ...]:
    more = effect.more
    return (
        effect.shock.value,
        f"plan {figures.version}",
        more.unmet,
        more.late_plug_days,
        round(more.overtime / 60, 1),
        more.overflow,
        round(more.cost / _EURO),
    )


def _show_changes(found: PlanComparison) -> None:
    if not found.changes:
        say("Both plans start the same trays in the same weeks.")
        return
    show(
        f"Starts that differ: {len(found.changes)} (from plan {found.a.version} to plan"
        f" {found.b.version})",
        ("", "protocol", "was in", "now in", "trays were", "trays now"),
        [
            (c.kind.value, c.protocol, c.was_week, c.week, c.was_trays, c.trays)
            for c in found.changes[:_SHOWN]
        ],
    )
    if len(found.changes) > _SHOWN:
        say(f"... and {len(found.changes) - _SHOWN} more: --json lists them all.")
