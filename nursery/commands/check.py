"""Do the books hold? `nursery check`, with rules of its own in plain SQL."""

import typer

from nursery.checking import RULES, check_database
from nursery.commands.console import (
    DATABASE,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
)


def check(database: DatabaseOption = DATABASE, as_json: JsonOption = False) -> None:
    """Check the books: nothing promised twice, a ledger that adds up, every promise told.

    Example: nursery check

    Reads the database with rules of its own, written apart from the program that keeps the books,
    while others may go on working. Each fault is one line with what to do; with any, the exit
    status is 1.
    """
    with opened(database) as db:
        address = db.address
    found = check_database(address)
    if as_json:
        print_json(found)
    else:
        for fault in found.faults:
            say(fault.line())
        many = len(found.faults)
        say(
            f"{'No fault' if not many else f'{many} fault' + 's' * (many > 1)}: {found.batches}"
            f" batches, {found.lots} lots and {found.promises} promises,"
            f" checked by {len(RULES)} rules."
        )
    if found.faults:
        raise typer.Exit(1)
