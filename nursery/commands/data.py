"""What goes in and what comes out: init, template, load, export."""

from pathlib import Path
from typing import Annotated

import typer

from nursery.commands.console import (
    DATABASE,
    DatabaseOption,
    JsonOption,
    known,
    opened,
    print_json,
    reachable,
    say,
)
from nursery.database import migrate


def init(database: DatabaseOption = DATABASE) -> None:
    """Make an empty database, or bring one to this version, keeping what is in it.

    Example: nursery init --database nursery.sqlite
    """
    db = known(database)
    try:
        with reachable(database):
            migrate(db)
    finally:
        db.close()
    say(f"The database {database} is ready. Next: nursery template nursery.xlsx")


def template(
    file: Annotated[Path, typer.Argument(help="The workbook to write.")],
    short: Annotated[
        bool, typer.Option("--short", help="Four small sheets; the rest is assumed, and shown.")
    ] = False,
) -> None:
    """Write an empty workbook with headings, units, allowed values and an example row.

    Example: nursery template nursery.xlsx --short
    """
    from nursery.workbook import write_template

    write_template(file, short=short)
    say(f"Wrote {file}. Fill it in, then: nursery load {file}")


def load(
    file: Annotated[Path, typer.Argument(help="A workbook, or a folder of CSV files.")],
    good_rows: Annotated[
        bool, typer.Option("--good-rows", help="Take the faultless rows, report the others.")
    ] = False,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Check a workbook row by row, and take all of it or nothing.

    Example: nursery load nursery.xlsx

    Every fault is one line: sheet, row, column, the rule, what was found, what to do. With
    faults nothing is loaded (exit status 2), unless --good-rows asks for the rest. Loading the
    same file twice changes nothing.
    """
    from nursery.workbook import load as load_workbook

    with opened(database) as db:
        report = load_workbook(db, file, good_rows=good_rows)
    if as_json:
        print_json(report)
    else:
        for line in report.lines():
            say(line)
    if report.faults:
        raise typer.Exit(2)


def export(
    file: Annotated[Path, typer.Argument(help="The workbook to write (.xlsx, or a folder).")],
    database: DatabaseOption = DATABASE,
) -> None:
    """Write everything a nursery types into one workbook, ready to change and load again.

    Example: nursery export nursery.xlsx
    """
    from nursery.workbook import export as export_workbook

    with opened(database) as db:
        export_workbook(db, file)
    say(f"Wrote {file}. Change it and load it again: rows that changed meanwhile are refused.")
