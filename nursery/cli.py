"""The command line: the composition root, which alone may start the server and the demo."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nursery.commands.console import (
    DATABASE,
    DatabaseOption,
    JsonOption,
    errors,
    is_the_databases,
    not_done,
    opened,
)
from nursery.commands.on_demand import OnDemand
from nursery.errors import Fault, Refused
from nursery.settings import read_settings

if TYPE_CHECKING:
    from nursery.database import Database

app = typer.Typer(
    name="nursery",
    cls=OnDemand,
    help="Plans the propagation of plug plants, promises ship dates that hold, and gets live"
    " plants to the door. Start with `nursery demo`, or with `nursery init`.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


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
def served(db: "Database") -> Iterator[str]:
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
    except Exception as wrong:
        if not is_the_databases(wrong):
            raise
        errors.print(str(not_done(wrong)), markup=False)
        sys.exit(2)


if __name__ == "__main__":
    main()
