"""Erasing personal data at the command line: looked at first, then done."""

from typing import Annotated

import typer
from sqlmodel import Session, select

from nursery.commands.console import (
    DATABASE,
    MOST_NUMBER,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
    warn,
)
from nursery.database import Database, site
from nursery.errors import Fault
from nursery.order import CustomerOrder
from nursery.shed.erasing import CAUTION, Erased, erasable, erase_order, erase_orders


def erase(
    order: Annotated[str, typer.Argument(help="One order, on its customer's request.")] = "",
    older_than: Annotated[
        int | None,
        typer.Option(help="Days since an order was over; else the Site sheet's.", max=MOST_NUMBER),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do it; else it is only shown.")] = False,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Erase references, postcodes and tracking of orders that are over; show them first.

    Example: nursery erase --older-than 365

    Add --yes to do it. Lot, day, plugs, country and zone stay: `nursery trace` works as before.
    `nursery serve` does it every day by itself where the Site sheet says after how many days.
    Backups and exported workbooks are not reached: clear those away yourself.
    """
    if order and older_than is not None:
        raise Fault("nursery erase", "either an order or --older-than", order, "choose one of them")
    with opened(database) as db:
        with db.reading() as session:
            found = _found(session, order, older_than)
            days = site(session).erase_after_days
        done: Erased | None = None
        if yes and found:
            with db.writing() as session:
                done = (
                    erase_order(session, order)
                    if order
                    else erase_orders(session, [key for key, _, _ in found])
                )
            _clear_away(db)
    if as_json:
        listed = [{"reference": name, "over_on": over} for _, name, over in found]
        print_json({"orders": [] if done else listed, "erased": done})
        return
    if done is not None:
        say(f"{done.orders} orders erased, with {done.copies} copies of their data in other rows.")
    elif found:
        show("To be erased", ("order", "over since"), [(name, over) for _, name, over in found])
        say(f"{len(found)} orders. Nothing is erased yet: add --yes.")
    else:
        say("Nothing is to be erased.")
        if not days and older_than is None and not order:
            say("The Site sheet's 'Erase after' is 0: nothing is erased by itself.")
    warn(CAUTION)


def _found(session: Session, order: str, older_than: int | None) -> list[tuple[int, str, str]]:
    if not order:
        listed = erasable(session, older_than)
        return [(each.order_id, each.reference, str(each.over_on)) for each in listed]
    row = session.exec(select(CustomerOrder).where(CustomerOrder.reference == order)).first()
    if row is None:
        raise Fault(f"Order '{order}'", "must be in the books", order, "check its reference")
    return [(row.id or 0, row.reference, "on request")]


def _clear_away(db: Database) -> None:
    """What was overwritten must not stay in the free room of the file, nor in its journal."""
    if not db.is_sqlite:
        return
    # The engine's connections begin a transaction, in which a file cannot be made anew.
    connection = db.writer.raw_connection()
    try:
        for each in ("VACUUM", "PRAGMA wal_checkpoint(TRUNCATE)"):
            connection.cursor().execute(each)
    finally:
        connection.close()
