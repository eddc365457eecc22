"""The ship days ahead, at the command line."""

from typing import Annotated

import typer

from nursery.commands.console import (
    DATABASE,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
)
from nursery.dispatching.days_ahead import DAYS, DayAhead, days_ahead, shut_days


def days(
    many: Annotated[int, typer.Option("--days", help="So many days from today.")] = DAYS,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Ship days ahead: what is open to where, how full each is, and which orders must move.

    Example: nursery days --days 21
    """
    with opened(database) as db, db.reading() as session:
        found = days_ahead(session, many)
    if as_json:
        print_json({"days": found, "shut": shut_days(found)})
        return
    _show(found)


def _show(found: tuple[DayAhead, ...]) -> None:
    names = [zone.zone for zone in found[0].zones]
    show(
        "Ship days ahead",
        ("day", "minutes", "of", "parcels", "plugs", *names),
        [
            (
                f"{each.day:%a %d %b}",
                each.minutes_taken,
                each.minutes,
                each.parcels,
                each.plugs,
                *(str(zone) for zone in each.zones),
            )
            for each in found
        ],
    )
    if not names:
        say("There is no zone with a service yet: load the sheets Zones and Services.")
    why = shut_days(found)
    if why:
        show(
            "Why",
            ("from", "until", "to", "plants", "what keeps them at home"),
            [
                (
                    f"{one.first:%a %d %b}",
                    f"{one.last:%a %d %b}",
                    ", ".join(one.zones),
                    one.shut.plants,
                    one.shut.text,
                )
                for one in why
            ],
        )
    moves = [one for each in found for one in each.must_move]
    if moves:
        show(
            "Must move",
            ("order", "on", "why"),
            [(one.reference, f"{one.ship_on:%a %d %b}", one.text) for one in moves],
        )
        say("nursery dispatch gives them the nearest days that hold; their customers are told.")
