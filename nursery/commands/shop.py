"""What the web shop needs from the command line: tokens, a quote by hand."""

from typing import Annotated

import typer
from sqlmodel import Session, col, select

from nursery.access import Role, make_token
from nursery.commands.console import (
    DATABASE,
    MOST_NUMBER,
    ActorOption,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
)
from nursery.commands.typed import parse_day
from nursery.database import now
from nursery.errors import Fault
from nursery.order import CustomerOrder, Promise, State
from nursery.promising.basket import Basket, BasketLine, Consent, Destination
from nursery.promising.quote import ClosedDay, Quote, ShipOption
from nursery.promising.quote import quote as ask
from nursery.shed.claims import ClaimKind, record_claim


def token(
    name: Annotated[str, typer.Argument(help="Who will use it, such as 'web shop'.")],
    role: Annotated[Role, typer.Option(help="What it may do.")],
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Make a bearer token for the shop, the packer or the lead. It is shown once.

    Example: nursery token 'web shop' --role shop
    """
    with opened(database) as db, db.writing() as session:
        secret = make_token(session, name, role, now(session))
    if as_json:
        print_json({"name": name, "role": role, "token": secret})
    else:
        say(f"Authorization: Bearer {secret}")
        say("Keep it safe: only a digest is stored, so it cannot be shown again.")


def quote(
    basket: Annotated[str, typer.Argument(help="Products and how many: CALT-6:2,PRIM-6:1")],
    country: Annotated[str, typer.Argument(help="Two letters, such as NL.")],
    postcode: Annotated[str, typer.Argument(help="Where it goes.")],
    first: Annotated[str | None, typer.Option("--from", help="First ship day asked for.")] = None,
    until: Annotated[str | None, typer.Option("--until", help="Last ship day asked for.")] = None,
    split: Annotated[bool, typer.Option("--split", help="Customer agreed to parts.")] = False,
    substitute: Annotated[
        bool, typer.Option("--substitute", help="Customer agreed to other plants.")
    ] = False,
    bought_in: Annotated[
        bool, typer.Option("--bought-in", help="Customer agreed to plants bought in.")
    ] = False,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Ask on which days a basket can leave for an address, and why not on the others.

    Example: nursery quote CALT-6:2,PRIM-6:1 NL 1011AB --until 2027-04-30
    """
    with opened(database) as db, db.reading() as session:
        answer = ask(
            session,
            parse_basket(basket),
            Destination(country.upper(), postcode),
            parse_day(first),
            parse_day(until),
            consent=Consent(split, substitute, bought_in),
        )
    if as_json:
        print_json(answer)
    else:
        _show_quote(answer)


def parse_basket(text: str) -> Basket:
    """Which basket does "CALT-6:2,PRIM-6" name? One of each where no number is given.

    Raises `Fault` for a quantity that is no whole number.
    """
    lines = []
    for part in text.split(","):
        code, _, quantity = part.strip().partition(":")
        if not quantity.strip().isdecimal() and quantity:
            raise Fault(f"Basket line '{part}'", "quantity must be whole", quantity, "mend it")
        lines.append(BasketLine(code=code.strip(), quantity=int(quantity or 1)))
    return Basket(tuple(lines))


def claim(
    order: Annotated[str, typer.Argument(help="The order's reference.")],
    kind: Annotated[ClaimKind, typer.Option(help="What was wrong.")],
    text: Annotated[str, typer.Option(help="In the customer's words, without a name.")],
    plugs: Annotated[
        int | None, typer.Option(help="How many; else all of them.", max=MOST_NUMBER)
    ] = None,
    product: Annotated[str, typer.Option(help="The shop's code; else the whole parcel.")] = "",
    photo: Annotated[str, typer.Option(help="Where the photo is; nothing is fetched.")] = "",
    wants_reship: Annotated[
        bool, typer.Option("--wants-reship", help="The customer would like the plants again.")
    ] = False,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Record a customer's claim and trace it to the lots that the plants came from.

    Example: nursery claim WEB-1001 --kind dead --text 'brown and soft' --plugs 4
    """
    with opened(database) as db, db.writing() as session:
        found = record_claim(
            session, _sent(session, order), kind, text, by, plugs, product, photo, wants_reship
        )
        lots = ", ".join(f"{lot.plugs} from batch {lot.batch_code}" for lot in found.lots)
        say(f"{order}: {found.plugs} plugs {kind.value}. They came from: {lots or 'no lot known'}.")
        if found.plugs:
            say(f"To send them again: nursery reship {found.event_id} --by NAME")


def _sent(session: Session, order: str) -> int:
    """Which parcel of the order was sent last? Raises `Fault` where none was."""
    rows = session.exec(
        select(Promise)
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .where(CustomerOrder.reference == order)
        .where(col(Promise.state).in_((State.HANDED_OVER, State.DELIVERED)))
        .order_by(col(Promise.ship_on).desc())
    ).first()
    if rows is None or rows.id is None:
        raise Fault(f"Order '{order}'", "must have been handed over", order, "check its reference")
    return rows.id


def _show_quote(answer: Quote) -> None:
    if answer.options:
        best = answer.options[0]
        say(
            f"Best: leaves {best.ship_on:%a %d %b %Y} by {best.service}, arrives"
            f" {best.arrives_from:%a %d %b} to {best.arrives_until:%a %d %b},"
            f" kept with a chance of {best.probability:.1%}."
            + (f" With {', '.join(best.packs)}: the day were held without." if best.packs else "")
        )
    else:
        say("Nothing can be promised in this time.")
    show(
        f"Ship days to {answer.zone}",
        ("leaves", "by", "arrives", "until", "days in the box", "chance", "price", "packs"),
        [
            (
                f"{option.ship_on:%a %Y-%m-%d}",
                option.service,
                f"{option.arrives_from}",
                f"{option.arrives_until}",
                option.days_in_box,
                f"{option.probability:.1%}",
                f"{option.price_cents / 100:.2f}",
                ", ".join(option.packs),
            )
            for option in answer.options[:12]
        ],
    )
    for name, other in (
        ("Surer", answer.surer),
        *(("In parts", part) for part in answer.parts),
        ("With fewer plugs", answer.fewer),
        ("With plants bought in", answer.bought_in),
        ("With other plants", answer.substituted),
    ):
        if other is not None:
            say(f"{name}: {_option_words(other)}.")
    every = {option.service for option in answer.options}
    every |= {why.service for day in answer.closed_days for why in day.reasons if why.service}
    show(
        "Days that are closed",
        ("day", "why"),
        [(f"{closed.day:%a %Y-%m-%d}", _why(closed, every)) for closed in answer.closed_days[:12]],
    )
    for caution in answer.cautions:
        say(f"{caution}.")


def _option_words(option: ShipOption) -> str:
    """What else can be had, in one line?"""
    holds = ", ".join(f"{line.quantity} x {line.code}" for line in option.lines)
    notes = f"; {'; '.join(option.notes)}" if option.notes else ""
    return (
        f"{holds} leaves {option.ship_on:%a %d %b %Y} by {option.service}, arrives until"
        f" {option.arrives_until:%a %d %b}, chance {option.probability:.1%}{notes}"
    )


def _why(closed: ClosedDay, every: set[str]) -> str:
    """Every reason once; one that holds for some services alone names them."""
    by_text: dict[str, list[str]] = {}
    for reason in closed.reasons:
        by_text.setdefault(reason.text, []).append(reason.service)
    return "; ".join(
        text if "" in services or set(services) == every else f"{', '.join(services)}: {text}"
        for text, services in by_text.items()
    )
