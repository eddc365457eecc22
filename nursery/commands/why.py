"""Why a plan leaves plugs unmet or late, and what would help, at the command line."""

from typing import Annotated

import typer
from rich.progress import track

from nursery.commands.console import (
    DATABASE,
    MOST_NUMBER,
    DatabaseOption,
    JsonOption,
    errors,
    opened,
    print_json,
    say,
    show,
)
from nursery.planned import PlanKind, newest_version
from nursery.planning.plan_relief import (
    PlanRelief,
    asked_about,
    read_plan,
    what_would_help,
)
from nursery.weeks import Week


def why(
    crop: Annotated[str, typer.Argument(help="A crop; without one the shortest demands.")] = "",
    week: Annotated[str, typer.Argument(help="A week, as 2027-W14.")] = "",
    version: Annotated[
        int | None, typer.Option(help="The plan; the newest if not said.", max=MOST_NUMBER)
    ] = None,
    most: Annotated[
        int, typer.Option(min=1, help="How many demands to ask about.", max=MOST_NUMBER)
    ] = 3,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Say what stands in the way of plugs that a plan leaves unmet or late, and what would help.

    Example: nursery why CAL 2027-W14

    Each relief is put into the plan's data and solved again: what is said to help was tried. That
    takes ten to twenty small solves a demand. Nothing is kept.
    """
    with opened(database) as db, db.reading() as session:
        at = read_plan(session, version or newest_version(session, PlanKind.PROPAGATION) or 0)
    asked = asked_about(at, crop, Week.parse(week) if week else None, most)
    found = []
    try:
        for key in track(asked, "asking", console=errors, transient=True, disable=as_json):
            found.append(what_would_help(at, *key))
    except KeyboardInterrupt:
        if not found:
            raise
    if as_json:
        print_json(found)
    elif found:
        show_reliefs(found)
    else:
        say(f"The plan meets every demand{f' of {crop}' if crop else ''} in time.")


def show_reliefs(found: list[PlanRelief]) -> None:
    """One row a demand, with the gain that was promised and the one that was found."""
    show(
        "What stands in the way, and what would help",
        ("crop", "week", "plugs", "", "first binds", "promised", "found", "what would help"),
        [
            (
                one.crop,
                str(one.week),
                one.plugs,
                "unmet" if one.unmet else "late",
                one.binding,
                round(one.promised / 10_000),
                round(one.found / 10_000),
                one.told,
            )
            for one in found
        ],
    )
