"""How the command line speaks: tables and bars for people, JSON for other programs."""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from nursery.errors import Fault

if TYPE_CHECKING:
    from nursery.database import Database

# What opens a database takes a while to import, and `--help` opens none: it is imported where it
# is used.

_PIPED_WIDTH = None if sys.stdout.isatty() or "COLUMNS" in os.environ else 140
"""Into a file or another program lines may be long; on a terminal they fit its width."""

console = Console(highlight=False, width=_PIPED_WIDTH)
errors = Console(stderr=True, highlight=False, soft_wrap=True)

DatabaseOption = Annotated[
    str,
    typer.Option(
        "--database",
        envvar="NURSERY_DATABASE",
        help="Address of the database: a file for SQLite, or postgresql://...",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print data for other programs.")]
ActorOption = Annotated[
    str, typer.Option("--by", envvar="NURSERY_PERSON", help="Who does this; kept in the records.")
]
DATABASE = "nursery.sqlite"
MOST_NUMBER = 2**31 - 1
"""The largest number that a row can have in either database."""


@contextmanager
def opened(address: str) -> Iterator[Database]:
    """Which database do the commands work on? Closed afterwards.

    Raises `Fault` where there is none yet, or where its tables are of another version.
    """
    from nursery.database import is_migrated

    if address.strip() and "://" not in address and not Path(address).is_file():
        raise Fault(
            "Database",
            "the file must exist",
            address,
            f"make it with `nursery init --database {address}` or name another",
        )
    db = known(address)
    try:
        with reachable(address):
            current = is_migrated(db)
        if not current:
            raise Fault(
                "Database",
                "its tables must be of this version",
                address,
                f"back it up, then run `nursery init --database {address}`: it keeps what is there",
            )
        yield db
    finally:
        db.close()


def known(address: str) -> Database:
    """Which database does this address mean? Nothing is asked of it yet.

    Raises `Fault` for a blank address, which would mean no file, and where its driver is missing.
    """
    if not address.strip():
        raise Fault("Database", "its address must not be blank", address, "name a file or a server")
    from nursery.database import open_database

    try:
        return open_database(address)
    except ModuleNotFoundError as missing:
        rule = f"a PostgreSQL database needs a driver ({missing})"
        raise Fault("Database", rule, address, "pip install 'nursery[postgres]'") from missing


@contextmanager
def reachable(address: str) -> Iterator[None]:
    """Raises `Fault` where this is no database, or none that answers: another kind of file, a
    folder that is not there, a server that is down, a full disk.
    """
    from sqlalchemy.exc import DBAPIError

    try:
        yield
    except (DBAPIError, sqlite3.Error) as wrong:
        raise unusable(address, getattr(wrong, "orig", None) or wrong) from wrong


def unusable(address: str, wrong: BaseException) -> Fault:
    """What is said of a database that cannot be used, for this reason of its driver's?"""
    said = str(wrong).strip().splitlines()[0]
    rule = f"it cannot be used ({said})"
    return Fault("Database", rule, address, "check its address, or name another")


def is_the_databases(wrong: Exception) -> bool:
    """Did the database refuse this because of others, or because it cannot be used now?"""
    from sqlalchemy.exc import OperationalError

    from nursery.database import was_overtaken

    return was_overtaken(wrong) or isinstance(wrong, OperationalError)


def not_done(wrong: Exception) -> Fault:
    """What is said where the database refused it just now? Typed again it may be done."""
    from nursery.database import was_overtaken

    if was_overtaken(wrong):
        rule = "somebody else changed the same things at this moment and was first"
        return Fault("Not done", rule, None, "look how they stand now, then type it again")
    said = str(getattr(wrong, "orig", None) or wrong).strip().splitlines()[0]
    rule = f"the database cannot be used now ({said})"
    return Fault("Not done", rule, None, "type it again when it answers")


def say(text: str = "") -> None:
    """One line for the person at the terminal."""
    console.print(text, markup=False, soft_wrap=True)


def warn(text: str) -> None:
    """One line that stays out of what a program reads."""
    errors.print(text, markup=False)


def show(title: str, headings: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """A table; numbers to the right, nothing said by colour alone."""
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for at, heading in enumerate(headings):
        numeric = bool(rows) and all(isinstance(row[at], int | float) for row in rows)
        table.add_column(heading, justify="right" if numeric else "left", overflow="fold")
    for row in rows:
        table.add_row(*("" if cell is None else _text(cell) for cell in row))
    console.print(table)


def _text(cell: object) -> str:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int):
        return f"{cell:,}".replace(",", " ")
    return f"{cell:.1f}" if isinstance(cell, float) else str(cell)


def print_json(data: object) -> None:
    """The same facts as one JSON value on standard output."""
    sys.stdout.write(json.dumps(plain(data), ensure_ascii=False, indent=1) + "\n")


def plain(data: object) -> Any:
    """How does this look as JSON? Dates and moments in ISO 8601, words as text."""
    if dataclasses.is_dataclass(data) and not isinstance(data, type):
        return {f.name: plain(getattr(data, f.name)) for f in dataclasses.fields(data)}
    if isinstance(data, dict):
        return {str(plain(key)): plain(value) for key, value in data.items()}
    if isinstance(data, list | tuple | set | frozenset):
        return [plain(item) for item in data]
    if isinstance(data, datetime | date):
        return data.isoformat()
    if isinstance(data, Enum):
        return data.value
    if data is None or isinstance(data, bool | int | float | str):
        return data
    return str(data)


def write_file(thing: str, path: Path, text: str) -> None:
    """Raises `Fault` where this file cannot be written."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        why = error.strerror or "it cannot be written"
        raise Fault(thing, f"must be written: {why}", str(path), "name another file") from None


@contextmanager
def solving(
    title: str, seconds: float, unit: float, quiet: bool
) -> Iterator[tuple[Callable[[Any], None], threading.Event]]:
    """How far is the solve? A bar with cost, bound and gap; Ctrl-C keeps the best so far.

    Yields the progress callback and the stop signal for `solver.run.Limits`. `unit` is how
    many cost units make one of what is shown. A second Ctrl-C ends the command at once.
    Raises `Fault` for a time in which nothing can be solved.
    """
    if not 0 < seconds < float("inf"):
        raise Fault("Seconds", "must be above 0", seconds, "give it some time")
    stop = threading.Event()

    def interrupted(number: int, frame: object) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()
        warn("Stopping: the best plan so far is kept (Ctrl-C again to give up).")

    before = signal.signal(signal.SIGINT, interrupted)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        TimeElapsedColumn(),
        TextColumn("{task.fields[state]}"),
    )
    try:
        with Progress(*columns, console=errors, transient=True, disable=quiet) as bar:
            task = bar.add_task(title, total=seconds, state="")
            yield lambda far: bar.update(task, completed=far.seconds, state=_state(far, unit)), stop
    finally:
        signal.signal(signal.SIGINT, before)


def _state(far: Any, unit: float) -> str:
    parts = []
    if far.cost is not None:
        parts.append(f"cost {far.cost / unit:,.0f}")
    if far.bound is not None:
        parts.append(f"bound {far.bound / unit:,.0f}")
    if far.gap is not None:
        parts.append(f"gap {far.gap:.1%}")
    return "  ".join(parts)
