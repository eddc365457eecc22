"""What the lead must look at, at the command line."""

from nursery.commands.console import (
    DATABASE,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
)
from nursery.week.warnings import Urgency, Warning
from nursery.week.warnings import warnings as all_warnings


def warnings(database: DatabaseOption = DATABASE, as_json: JsonOption = False) -> None:
    """Say what must be looked at, what to do about it, and by when; the most urgent first.

    Example: nursery warnings

    Late batches, frost and heat, vetoes that want a signature, last sale dates, counts, mother
    plants, materials, forecasts, promises and parcels.
    """
    with opened(database) as db, db.reading() as session:
        found = all_warnings(session)
    if as_json:
        print_json(found)
    else:
        show_warnings(found)


def show_warnings(found: tuple[Warning, ...]) -> None:
    """The warnings as the lead reads them."""
    if not found:
        say("Nothing needs to be looked at.")
        return
    for urgency in Urgency:
        rows = [warning for warning in found if warning.urgency is urgency]
        if rows:
            show(
                urgency.value.upper(),
                ("by", "what", "which", "what is wrong", "what to do"),
                [
                    (f"{w.latest_day:%a %d %b}", w.kind.value, w.thing, w.text, w.what_to_do)
                    for w in rows
                ],
            )
