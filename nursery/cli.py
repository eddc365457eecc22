"""The command line: the composition root, which alone may start the server and the demo."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from nursery.commands import benches, data, day, forecast, lead, receivers, shed, shop
from nursery.commands.backup import backup, restore
from nursery.commands.boxes import boxes
from nursery.commands.check import check
from nursery.commands.claims import claims, reship
from nursery.commands.cold import hold_cold
from nursery.commands.compare import compare
from nursery.commands.console import DATABASE, DatabaseOption, JsonOption, errors, opened
from nursery.commands.erase import erase
from nursery.commands.health import passport, suspect
from nursery.commands.learn import learn
from nursery.commands.materials import materials
from nursery.commands.parcels import delivered, transit
from nursery.commands.shade import frost, shade
from nursery.commands.warnings import warnings
from nursery.commands.why import why
from nursery.commands.wraps import card, weigh, wraps
from nursery.commands.zones import app as zones_app
from nursery.database import Database
from nursery.errors import Fault, Refused
from nursery.settings import read_settings

app = typer.Typer(
    name="nursery",
    help="Plans the propagation of plug plants, promises ship dates that hold, and gets live"
    " plants to the door. Start with `nursery demo`, or with `nursery init`.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for command in (
    data.init,
    data.template,
    data.load,
    data.export,
    lead.plan,
    why,
    compare,
    warnings,
    benches.week,
    benches.benches,
    day.done,
    day.undo,
    day.day,
    day.start,
    day.move,
    day.ready,
    day.gap_up,
    day.pot_on,
    day.plant_out,
    day.sell,
    day.regrade,
    day.discard,
    day.veto,
    day.sign_off,
    materials,
    hold_cold,
    shade,
    frost,
    learn,
    lead.dispatch,
    lead.trace,
    shop.token,
    shop.quote,
    shop.claim,
    claims,
    reship,
    passport,
    erase,
    suspect,
    shed.watering,
    shed.picks,
    wraps,
    weigh,
    card,
    boxes,
    shed.pack,
    shed.hand_over,
    shed.not_collected,
    delivered,
    transit,
    shed.count,
    backup,
    restore,
    check,
):
    app.command()(command)
app.add_typer(zones_app, name="zones")
app.add_typer(forecast.app, name="forecast")
app.add_typer(receivers.app, name="receivers")


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port; 0 takes any free one.")] = 8020,
    workers: Annotated[int, typer.Option(help="Server processes; several need PostgreSQL.")] = 1,
    database: DatabaseOption = DATABASE,
) -> None:
    """Start the GraphQL API and the pages for the packer and the lead.

    Example: nursery serve --port 8020
    """
    from api.app import serve as run_server
    from api.workers import serve_many

    with opened(database) as db:
        if workers == 1:
            run_server(db, host=host, port=port, settings=read_settings())
        else:
            serve_many(db, host, port, workers)


@app.command()
def demo(
    folder: Annotated[
        Path | None, typer.Option(help="Where the demo's database is kept; else a temporary one.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Another seed, another invented season.")] = 1,
    seconds: Annotated[float, typer.Option(min=1, help="Seconds for the propagation plan.")] = 20,
    as_json: JsonOption = False,
) -> None:
    """See the whole job on an invented nursery: plan, dispatch, quotes over HTTP, pick sheet.

    Example: nursery demo --folder demo
    """
    from seed_demo import run_demo

    run_demo(folder=folder, seed=seed, seconds=seconds, as_json=as_json, serve=served)


@contextmanager
def served(db: Database) -> Iterator[str]:
    """The real server on a free port of this machine, for as long as the block lasts."""
    from api.running import running

    with running(db, settings=read_settings()) as address:
        yield address


def main() -> None:
    """Run a command; what the user can mend ends in one plain sentence and exit status 2."""
    try:
        app()
    except Fault as fault:
        errors.print(str(fault), markup=False)
        sys.exit(2)
    except Refused as refused:
        refusal = refused.refusal
        line = f"{refusal.message}; {refusal.next}" if refusal.next else refusal.message
        errors.print(line, markup=False)
        sys.exit(2)


if __name__ == "__main__":
    main()
