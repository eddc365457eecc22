"""Plant health at the command line: passports, and a suspected pest."""

from pathlib import Path
from typing import Annotated

import typer
from sqlmodel import Session, select

from nursery.commands.console import (
    DATABASE,
    ActorOption,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    warn,
    write_file,
)
from nursery.errors import Fault
from nursery.order import CustomerOrder
from nursery.shed.passport import CAUTION, PlantPassport
from nursery.shed.passport import passport as passport_of
from nursery.shed.passport_label import label_page, passports_of_parcel
from nursery.shed.suspect import EVERY_TIE, Tie, inspectors_list
from nursery.shed.suspect import suspect as freeze
from nursery.shed.trace import batch_called


def passport(
    batch: Annotated[str, typer.Argument(help="The batch's code.")] = "",
    order: Annotated[str, typer.Option(help="Or the order whose parcels need them.")] = "",
    protected_zone: Annotated[
        list[str] | None,
        typer.Option(help="A pest of the protected zone it goes to (name or EPPO code); repeat."),
    ] = None,
    page: Annotated[Path | None, typer.Option(help="Write a page of labels (HTML) here.")] = None,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Print the plant passport of a batch, or those of an order's parcels.

    Example: nursery passport CAL-2704A --page labels.html
    """
    if bool(batch) == bool(order):
        raise Fault("Passport", "needs a batch or an order", batch, "give one of them")
    with opened(database) as db, db.reading() as session:
        pests = protected_zone or []
        found = (
            [passport_of(session, batch_called(session, batch), pests)]
            if batch
            else _of_order(session, order, pests)
        )
    if page is not None:
        write_file("Page", page, label_page(found))
    if as_json:
        print_json(found)
        return
    for each in found:
        say(each.text())
        say("")
    warn(CAUTION)


def _of_order(session: Session, reference: str, pests: list[str]) -> list[PlantPassport]:
    order = session.exec(
        select(CustomerOrder).where(CustomerOrder.reference == reference)
    ).one_or_none()
    if order is None:
        raise Fault(f"Order {reference!r}", "is not in the books", reference, "check its reference")
    found = [each for row in order.promises for each in passports_of_parcel(session, row, pests)]
    if not found:
        rule = "must have plants that were picked"
        raise Fault(f"Order '{reference}'", rule, reference, "pick it first: see `nursery picks`")
    return found


def suspect(
    batch: Annotated[str, typer.Argument(help="The batch in which a pest is suspected.")],
    pest: Annotated[str, typer.Option(help="The pest; leave it out to print the list only.")] = "",
    tie: Annotated[
        list[Tie] | None, typer.Option(help="What links batches; repeat. Else all three.")
    ] = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Freeze a batch and those linked with it, and print the list for the inspector.

    Example: nursery suspect CAL-2704A --pest 'Phytophthora ramorum' --tie lineage

    Without --pest nothing is frozen. `nursery sign-off` ends a veto, by an authorised person.
    """
    ties = frozenset(tie) if tie else EVERY_TIE
    with opened(database) as db:
        if pest:
            with db.writing() as session:
                found = freeze(session, batch_called(session, batch), pest, by, ties)
        else:
            with db.reading() as session:
                found = inspectors_list(session, batch_called(session, batch), ties)
    if as_json:
        print_json(found)
        return
    for line in found.lines():
        say(line)
    if pest:
        say("Promises that cannot be kept now: run `nursery dispatch`.")
