"""Webhooks: addresses of the shop's that hear what happens to promises.

`nursery serve` sends. Example: nursery receivers list
"""

from datetime import datetime
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
    warn,
)
from nursery.order import EventKind
from nursery.settings import read_settings
from nursery.telling.standing import Standing, standing

# What sends takes a while to import, which no other command needs: it is imported where it is used.

app = typer.Typer(
    help=__doc__,
    no_args_is_help=True,
)
NameArgument = Annotated[str, typer.Argument(help="The receiver's name.")]


@app.command("add")
def add(
    name: Annotated[str, typer.Argument(help="A name for it, such as 'web shop'.")],
    address: Annotated[str, typer.Argument(help="Where it listens, such as https://...")],
    by: ActorOption,
    event: Annotated[
        list[EventKind] | None,
        typer.Option(help="An event that it wants; again for each. Else the usual ones."),
    ] = None,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Add a receiver. Its secret, with which it knows who sent what it gets, is shown once.

    Example: nursery receivers add 'web shop' https://shop.example/nursery --by Lea

    It hears what happens from now on, as CloudEvents in JSON with the headers webhook-id,
    webhook-timestamp and webhook-signature (Standard Webhooks). What it does not answer with 2xx is
    sent again under the same id, less and less often, for about three days; 410 switches it off.
    """
    from nursery.telling.receivers import USUAL, add_receiver

    hosts = read_settings().receiver_hosts
    with opened(database) as db, db.writing() as session:
        secret = add_receiver(session, name, address, by, event or USUAL, hosts)
    if as_json:
        print_json({"name": name.strip(), "address": address.strip(), "secret": secret})
        return
    say(f"Secret: {secret}")
    say("Give it to the shop's developer: it cannot be shown again.")
    say(f"`nursery receivers try '{name.strip()}'` sends it a trial.")


@app.command("list")
def list_receivers(database: DatabaseOption = DATABASE, as_json: JsonOption = False) -> None:
    """Who hears of promises, and does it arrive?

    Example: nursery receivers list
    """
    with opened(database) as db, db.reading() as session:
        found = standing(session)
    if as_json:
        print_json(found)
    elif not found:
        say("Nobody. `nursery receivers add` makes a receiver.")
    else:
        headings = ("name", "address", "is", "waiting", "delivered", "given up", "last trouble")
        show("Receivers of webhooks", headings, [_row(each) for each in found])
        for each in found:
            say(f"{each.name} hears of: {', '.join(each.kinds)}.")
            if each.old_secret_until is not None:
                say(f"{each.name}: an old secret signs too, {_until(each.old_secret_until)}.")


def _until(at: datetime) -> str:
    return f"until {at:%d %b %H:%M} UTC"


def _row(each: Standing) -> tuple[object, ...]:
    state = "on" if each.is_on else f"off by {each.off_by}"
    numbers = each.waiting, each.delivered, each.given_up
    return each.name, each.address, state, *numbers, each.last_answer


@app.command("off")
def off(
    name: NameArgument,
    by: ActorOption,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Switch a receiver off: nothing is sent, and what happens meanwhile it does not hear later.

    Example: nursery receivers off 'web shop' --by Lea
    """
    _switch(database, name, False, by, as_json)


@app.command("on")
def on(
    name: NameArgument,
    by: ActorOption,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Switch it on again; what waited for it and what was given up is sent at once.

    Example: nursery receivers on 'web shop' --by Lea
    """
    _switch(database, name, True, by, as_json)


def _switch(database: str, name: str, on: bool, by: str, as_json: bool) -> None:
    from nursery.telling.receivers import switch_receiver

    with opened(database) as db, db.writing() as session:
        stands = switch_receiver(session, name, on, by)
    if as_json:
        print_json(stands)
    else:
        said = f"{stands.waiting} events wait for it"
        say(f"{name} is {'on' if stands.is_on else 'off'}; {said}.")


@app.command("rotate")
def rotate(
    name: NameArgument,
    by: ActorOption,
    hours: Annotated[
        float, typer.Option(help="So long the old secret signs too; 0 ends it at once.")
    ] = 24.0,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Give a receiver a new secret, shown once; the old one signs beside it for a day.

    Example: nursery receivers rotate 'web shop' --by Lea

    Meanwhile webhook-signature has a signature by each, separated by spaces, and the shop changes
    over when it likes. With --hours 0 every old secret ends at once: for one that has leaked.
    """
    from nursery.telling.receivers import rotate_secret

    with opened(database) as db, db.writing() as session:
        secret = rotate_secret(session, name, by, hours)
        (stands,) = (each for each in standing(session) if each.name == name)
    until = stands.old_secret_until
    if as_json:
        print_json({"name": name, "secret": secret, "old_secret_until": until})
        return
    say(f"Secret: {secret}")
    say("Give it to the shop's developer: it cannot be shown again.")
    say("No other secret signs." if until is None else f"The old one signs too, {_until(until)}.")


@app.command("try")
def try_out(
    name: NameArgument, database: DatabaseOption = DATABASE, as_json: JsonOption = False
) -> None:
    """Send a receiver a signed trial about no promise, once, and say what it answers.

    Example: nursery receivers try 'web shop'

    Exit status 1 where it does not answer with 2xx.
    """
    from nursery.telling.receivers import try_receiver

    settings = read_settings()
    hosts, authorities = settings.receiver_hosts, settings.receiver_authorities
    with opened(database) as db:
        answer = try_receiver(db, name, hosts, authorities=authorities)
    if as_json:
        print_json(
            {"name": name, "good": answer.is_good, "status": answer.status, "said": answer.said}
        )
    elif answer.is_good:
        say(f"{name} {answer.said}: it has the trial.")
    else:
        warn(f"{name}: {answer.said}.")
    if not answer.is_good:
        raise typer.Exit(1)
