"""Holding ready plugs cold, at the command line: a decision that is kept."""

from datetime import date
from typing import Annotated

import typer
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.commands.console import (
    DATABASE,
    MOST_NUMBER,
    ActorOption,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
)
from nursery.commands.typed import parse_day
from nursery.errors import Fault
from nursery.stock import Lot
from nursery.week import day_book


def hold_cold(
    batch: Annotated[str, typer.Argument(help="The batch's code.")],
    days: Annotated[int, typer.Option(help="For how many days.", max=MOST_NUMBER)],
    celsius: Annotated[float, typer.Option(help="Temperature of the store, °C.")],
    ready: Annotated[str, typer.Option(help="Ready day of the lot, where there are several.")] = "",
    reason: Annotated[str, typer.Option(help="Why; kept in the records.")] = "",
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Hold a lot of ready plugs cold: its last sale date moves by these days, and that is kept.

    Example: nursery hold-cold CAP-2645A --days 10 --celsius 7

    Plugs keep 2 to 3 weeks at 5 to 10 °C and a week at 18 °C; the crop's own limit is in Crops.
    `nursery undo` takes it back.
    """
    with opened(database) as db, db.writing() as session:
        lot = _lot(session, batch, parse_day(ready))
        booked = day_book.hold_cold(session, lot, days, celsius, by, reason)
        row = booked.result
        told = {
            "batch": batch,
            "lot": row.lot_id,
            "last_sale_before": row.last_sale_before,
            "last_sale_after": row.last_sale_after,
            "entry": booked.entry.id,
        }
    if as_json:
        print_json(told)
    else:
        say(
            f"{batch} is held at {celsius:g} °C: for sale until {told['last_sale_after']} instead"
            f" of {told['last_sale_before']}; entry {told['entry']}."
        )


def _lot(session: Session, code: str, ready: date | None) -> Lot:
    query = (
        select(Lot)
        .join(Batch, col(Lot.batch_id) == col(Batch.id))
        .where(Batch.code == code, col(Lot.plugs) > 0)
        .order_by(col(Lot.ready_on), col(Lot.id))
    )
    lots = [one for one in session.exec(query).all() if ready is None or one.ready_on == ready]
    if len(lots) == 1:
        return lots[0]
    if not lots:
        raise Fault("Lot", "the batch must have ready plugs", code, "see `nursery trace BATCH`")
    days = ", ".join(str(one.ready_on) for one in lots)
    raise Fault("Lot", f"the batch has several, ready on {days}", code, "name one with --ready")
