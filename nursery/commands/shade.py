"""Shade calendars and frost nights at the command line."""

from pathlib import Path
from typing import Annotated

import typer

from nursery.commands.console import (
    DATABASE,
    ActorOption,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
    write_file,
)
from nursery.database import today
from nursery.growing.frost import FrostNight, Outside, frost_nights, frost_outlook
from nursery.growing.shade_calendar import CAUTION, ShadeCalendar, keep_calendar, shade_calendars
from nursery.growing.shade_picture import shade_picture


def shade(
    area: Annotated[str | None, typer.Argument(help="A growing area; else all of them.")] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the calendar: its changes become tasks.")
    ] = False,
    picture: Annotated[
        Path | None, typer.Option(help="Write a picture there as well, an SVG file.")
    ] = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Shade layers on and off for a year of weeks, so that crops stay under their limits.

    Example: nursery shade "Long house" --keep --picture shade.svg

    The limits, layers, chance and costs of each area are in sheet Shade. A kept calendar gives
    tasks in the week sheet and the rota, and plans reckon with its layers.
    """
    with opened(database) as db, db.writing() as session:
        found = shade_calendars(session, area)
        if keep:
            for one in found:
                keep_calendar(session, one, by)
            found = shade_calendars(session, area)
    if picture is not None:
        write_file("Picture", picture, shade_picture(found))
    if as_json:
        print_json(found)
        return
    for one in found:
        _show(one)
    say(f"Changing layers: {CAUTION}.")
    if not all(one.kept for one in found):
        say("Only a kept calendar gives tasks: nursery shade --keep")


def _show(one: ShadeCalendar) -> None:
    kept = "kept" if one.kept else "proposed, not kept"
    changes = "1 change" if len(one.changes) == 1 else f"{len(one.changes)} changes"
    say()
    say(
        f"{one.area}: under {one.limit_c:g} °C ({one.limit_of}) in {one.stated:.0%} of years, week"
        f" by week; {kept}"
    )
    say(
        f"  from {one.weeks[0].week}: {changes}, {sum(c.minutes * c.persons for c in one.changes)}"
        f" minutes, cost {one.cost_cents / 100:.2f} with light; {one.source}"
    )
    say("  " + "".join(str(week.layers) for week in one.weeks) + "  layers on, week by week")
    say("  " + "".join(str(week.needed) for week in one.weeks) + "  needed at least")
    if one.too_hot:
        say("  " + "".join(" " if week.enough else "x" for week in one.weeks) + "  not enough")
    for change in one.changes:
        say(f"  {change} ({change.minutes} min, {change.persons} people)")
    for week in one.too_hot:
        say(
            f"  {week.week}: even {one.most_layers} layers keep it under {one.limit_c:g} °C in"
            f" {week.chance:.1%} of years only; air, mist or move the tenderest"
        )
    if one.assumed:
        say(f"  assumed: {one.assumed}")


def frost(
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Frost nights ahead: which frames are covered or brought in, by when, and where trays go.

    Example: nursery frost
    """
    with opened(database) as db, db.reading() as session:
        day = today(session)
        found, outside = frost_nights(session, day), frost_outlook(session, day)
    if as_json:
        print_json({"nights": found, "outside": outside})
        return
    show_frost(found, outside)


def show_frost(found: list[FrostNight], outside: Outside) -> None:
    """Night by night: what is covered, what is brought in, and where to."""
    if outside.forecast_until is None:
        say("There is no fresh forecast: a person decides on frost.")
    elif not found:
        say(f"No frost in the frames is forecast until {outside.forecast_until:%a %d %b}.")
    for night in found:
        say()
        say(f"{night.title}: {night.what_to_do}, before dark on {night.latest:%a %d %b}")
        if night.moves:
            show(
                "",
                ("batch", "plant", "trays", "from", "to"),
                [
                    (
                        move.batch,
                        move.crop,
                        move.trays,
                        move.come_from,
                        f"{move.go_to}, {move.on}"
                        if move.go_to
                        else "NO PLACE IS FREE: cover it doubly, and tell the lead",
                    )
                    for move in night.moves
                ],
            )
        else:
            say("  trays: " + ", ".join(f"{trays} of {code}" for code, _, trays in night.batches))
        say(f"  {night.minutes} minutes. {night.caution}.")
    if found:
        say()
        say(outside.told)
