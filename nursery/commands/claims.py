"""Claims at the command line: which there are, what they teach, and plants sent once more."""

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
from nursery.commands.typed import parse_day
from nursery.errors import Fault
from nursery.shed.claims import Claim
from nursery.shed.claims import claims as claims_in
from nursery.shed.claims_learned import ClaimsLearned, claims_learned
from nursery.shed.reshipping import NOTHING_FREE, ReshipOffer, reship_offer
from nursery.shed.reshipping import reship as reship_claim
from nursery.travelling import Against


def claims(
    listed: Annotated[
        bool, typer.Option("--list", help="The claims one by one, with what was sent for them.")
    ] = False,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Show what claims teach about wraps, services, days in the box, heat and cold; or list them.

    Example: nursery claims

    Nothing is changed by itself: limits and wraps stand in the Products sheet.
    """
    with opened(database) as db, db.reading() as session:
        found = claims_in(session) if listed else claims_learned(session)
    if as_json:
        print_json(found)
    elif isinstance(found, ClaimsLearned):
        _show_learned(found)
    else:
        _show_claims(found)


def _show_claims(found: list[Claim]) -> None:
    if not found:
        say("Nobody has claimed anything.")
        return
    show(
        "Claims",
        ("claim", "order", "kind", "product", "plugs", "words", "photo", "wants", "sent again"),
        [
            (
                str(each.event_id),
                each.reference,
                each.kind.value,
                each.product or "all",
                each.plugs,
                each.text,
                each.photo,
                "reship" if each.wants_reship else "",
                ", ".join(f"{one.plugs} as {one.reference} ({one.state})" for one in each.reships),
            )
            for each in found
        ],
    )


def _show_learned(found: ClaimsLearned) -> None:
    if not found.parcels:
        say("No parcel has been handed over yet: there is nothing to learn from.")
        return
    show(
        f"Claims of {found.parcels} parcels sent",
        ("by", "", "claim", "parcels", "claimed", "per 100", "nine in ten"),
        [
            (
                rate.by,
                rate.value,
                rate.kind.value,
                rate.parcels,
                rate.claimed,
                f"{100 * rate.share:.1f}",
                f"{100 * rate.low:.1f} to {100 * rate.high:.1f}",
            )
            for rate in found.rates
        ],
    )
    for limit in found.limits:
        say(
            f"A limit of {limit.days} days in the box would have kept back {limit.parcels_not_sent}"
            f" parcels, {limit.claims_not_made} of them claimed as dead."
        )
    for each in found.felt_limits:
        what = "heat" if each.against is Against.HEAT else "frost"
        say(
            f"A {what} limit of {each.limit_c} °C would have moved {each.parcels_moved} parcels,"
            f" {each.claims_not_made} of them claimed as dead."
        )
    say(
        f"How hot and cold it was on the way is known of {found.felt_known} parcels, of"
        f" {found.felt_observed} as it was observed, of the others with forecasts of the time."
    )


def reship(
    claim: Annotated[
        int, typer.Argument(help="The claim's number: see nursery claims --list.", max=MOST_NUMBER)
    ],
    by: Annotated[
        str, typer.Option("--by", envvar="NURSERY_PERSON", help="Who decides; kept.")
    ] = "",
    plugs: Annotated[
        int | None, typer.Option(help="How many; else all that were claimed.", max=MOST_NUMBER)
    ] = None,
    on: Annotated[str | None, typer.Option(help="The ship day; else the best.")] = None,
    service: Annotated[str, typer.Option(help="The carrier service; else the best.")] = "",
    reference: Annotated[
        str, typer.Option(help="A reference for it; else the first and -R1.")
    ] = "",
    reason: Annotated[str, typer.Option(help="Why; stands on the pick sheet.")] = "",
    offer: Annotated[bool, typer.Option("--offer", help="Only show what could be sent.")] = False,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Send the plants of a claim once more, from other lots if they came dead.

    Example: nursery reship 17 --by Lea --reason 'photo seen'

    No more plugs than were claimed, and only what is promised to nobody else. Asked again it says
    that all is sent again.
    """
    day = parse_day(on)
    with opened(database) as db:
        if offer:
            with db.reading() as session:
                found = reship_offer(session, claim, plugs)
            print_json(found) if as_json else _show_offer(found)
            return
        if not by.strip():
            raise Fault("Reship", "needs who decides it", by, "give --by NAME")
        with db.writing() as session:
            made = reship_claim(session, claim, by, plugs, day, service, reference, reason)
            many = {line.product.code: line.plugs for line in made.lines}
            named = made.order.reference, made.service.name
    if as_json:
        print_json({**made.model_dump(), "reference": named[0], "plugs": many})
        return
    plants = ", ".join(f"{n} plugs of {code}" for code, n in many.items())
    say(
        f"Order {named[0]}: {plants} leave {made.ship_on} by {named[1]}, arrive"
        f" {made.arrives_from} to {made.arrives_until}. First promised for {made.first_ship_on}."
    )


def _show_offer(found: ReshipOffer) -> None:
    plants = ", ".join(f"{n} plugs of {code}" for code, n in found.plugs.items())
    barred = sorted({lot.batch_code for lot in found.claim.lots if lot.lot_id in found.not_lots})
    left_out = f", not from {', '.join(barred)}" if barred else ""
    say(f"Order {found.claim.reference}: {plants} could be sent again{left_out}.")
    show(
        "Ship days",
        ("leaves", "by", "arrives", "until", "chance"),
        [
            (each.ship_on, each.service, each.arrives_from, each.arrives_until,
             f"{each.probability:.1%}")
            for each in found.options[:12]
        ],
    )  # fmt: skip
    if not found.options:
        say(f"No day is open for it: {NOTHING_FREE}.")
