"""A copy of the whole nursery while people work, and back again: `nursery backup`, `restore`."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from nursery.commands.console import (
    DATABASE,
    DatabaseOption,
    JsonOption,
    print_json,
    reachable,
    say,
    unusable,
)
from nursery.errors import Fault


@dataclass(frozen=True, slots=True)
class Contents:
    """What does a database hold? `digest` is equal for two databases with the same rows."""

    tables: int
    rows: int
    digest: str


def backup(
    file: Annotated[Path, typer.Argument(help="The file to write; it must not be there yet.")],
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Copy the whole nursery into one file while people go on working.

    Example: nursery backup nursery-2027-03-22.backup

    The copy is the database at one moment. Keep it on another disk, and try now and then that it
    can be restored.
    """
    with reachable(database):
        held = take_backup(database, file)
    if as_json:
        print_json({"file": str(file), **_as_dict(held)})
    else:
        say(f"Wrote {file}: {_said(held)}.")
        say(f"Restore it with: nursery restore {file} --database NEW")


def restore(
    file: Annotated[Path, typer.Argument(help="A file that `nursery backup` wrote.")],
    database: DatabaseOption = DATABASE,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace what is there now. It is lost.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Bring a backup back, into a new database unless told to overwrite one.

    Example: nursery restore nursery-2027-03-22.backup --database restored.sqlite

    Stop the server first. What was promised after the backup is not in it: compare with the shop.
    """
    with reachable(database):
        held = take_back(database, file, overwrite)
    if as_json:
        print_json({"database": database, **_as_dict(held)})
    else:
        say(f"Restored {database}: {_said(held)}.")
        say(f"Now check the books: nursery check --database {database}")


def _as_dict(held: Contents) -> dict[str, object]:
    return {"tables": held.tables, "rows": held.rows, "digest": held.digest}


def _said(held: Contents) -> str:
    return f"{held.tables} tables, {held.rows} rows, contents {held.digest[:16]}"


def take_backup(address: str, file: Path) -> Contents:
    """What does the copy of this database hold? Written whole or not at all.

    Raises Fault: the file is there already, there is no database, no program for the job, or the
    copy differs from the database at that moment.
    """
    if file.exists():
        raise Fault("Backup", "the file must not be there yet", str(file), "choose another name")
    if not file.resolve().parent.is_dir():
        raise Fault("Backup", "its folder must exist", str(file), "make the folder or name another")
    unfinished = file.with_name(file.name + ".unfinished")
    unfinished.unlink(missing_ok=True)
    try:
        if _is_postgres(address):
            held = _dump(address, unfinished)
        else:
            held = _copy(_path(address), unfinished)
        _to_disk(unfinished)
        unfinished.rename(file)
        _to_disk(file.resolve().parent)
    finally:
        unfinished.unlink(missing_ok=True)
    return held


def take_back(address: str, file: Path, overwrite: bool) -> Contents:
    """What does the database hold, now that it is as the backup?

    Raises Fault: no such file, no backup of this kind of database, or a database that is there
    and may not be overwritten.
    """
    if not file.is_file():
        raise Fault("Backup", "the file must exist", str(file), "check its name")
    if _is_postgres(address):
        return _undump(address, file, overwrite)
    return _copy_back(file, _path(address), overwrite)


def sqlite_contents(connection: sqlite3.Connection) -> Contents:
    """What does this SQLite database hold, in the transaction that is open?"""
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        " ORDER BY name"
    ).fetchall()
    return _contents(
        (name, connection.execute(f'SELECT * FROM "{name}" ORDER BY rowid')) for (name,) in names
    )


def postgres_contents(connection: Any) -> Contents:
    """What does this PostgreSQL database hold, in the transaction that is open?"""
    names = connection.execute(
        "SELECT table_name FROM information_schema.tables"
        " WHERE table_schema = 'public' AND table_type = 'BASE TABLE' ORDER BY table_name"
    ).fetchall()
    return _contents(
        (name, connection.execute(f'SELECT t::text FROM "{name}" AS t ORDER BY 1'.encode()))
        for (name,) in names
    )


def _contents(tables: Iterable[tuple[str, Iterable[Sequence[object]]]]) -> Contents:
    digest, count, rows = hashlib.sha256(), 0, 0
    for name, found in tables:
        digest.update(f"table {name}\n".encode())
        count += 1
        for row in found:
            digest.update(repr(row).encode())
            rows += 1
    return Contents(count, rows, digest.hexdigest())


def _copy(path: Path, file: Path) -> Contents:
    if not path.is_file():
        raise Fault("Database", "the file must exist", str(path), "name another with --database")
    with (
        closing(sqlite3.connect(path, timeout=30, isolation_level=None)) as source,
        closing(sqlite3.connect(file)) as copy,
    ):
        # Writers go on while this transaction sees one moment, and the copy is of that moment.
        source.execute("BEGIN")
        held = sqlite_contents(source)
        source.backup(copy)
        source.execute("ROLLBACK")
        found = sqlite_contents(copy)
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it
    _refuse_difference(held, found)
    return held


def _copy_back(file: Path, path: Path, overwrite: bool) -> Contents:
    _refuse_overwriting(str(path), path.exists(), overwrite)
    with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as source:
        try:
            held = sqlite_contents(source)
            whole = source.execute("PRAGMA integrity_check(1)").fetchone()[0]
            source.execute("SELECT version_num FROM alembic_version").fetchone()
        except sqlite3.DatabaseError as wrong:
            raise _no_backup(file, str(wrong)) from wrong
        if whole != "ok":
            raise _no_backup(file, whole)
        with closing(sqlite3.connect(path, timeout=30)) as target:
            source.backup(target)
            found = sqlite_contents(target)
            target.execute("PRAGMA journal_mode=WAL")
    _refuse_difference(held, found)
    return found


def _dump(address: str, file: Path) -> Contents:
    program = _program("pg_dump")
    with _connected(address, autocommit=True) as connection:
        connection.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        moment = connection.execute("SELECT pg_export_snapshot()").fetchone()
        assert moment is not None
        held = postgres_contents(connection)
        told = ["--format=custom", f"--snapshot={moment[0]}", f"--file={file}", "--no-owner"]
        _run([program, *told, _plain(address)], "pg_dump")
        connection.execute("ROLLBACK")
    return held


def _undump(address: str, file: Path, overwrite: bool) -> Contents:
    program = _program("pg_restore")
    with file.open("rb") as opened:
        if opened.read(5) != b"PGDMP":
            raise _no_backup(file, "it is no backup of a PostgreSQL database")
    with _connected(address) as connection:
        there = connection.execute("SELECT to_regclass('public.site')").fetchone()
    _refuse_overwriting(address, there is not None and there[0] is not None, overwrite)
    told = ["--no-owner", "--single-transaction", "--exit-on-error", "--clean", "--if-exists"]
    _run([program, *told, f"--dbname={_plain(address)}", str(file)], "pg_restore")
    with _connected(address) as connection:
        return postgres_contents(connection)


def _connected(address: str, autocommit: bool = False) -> Any:
    """A connection of PostgreSQL's driver, which a nursery on SQLite need not have."""
    import psycopg

    try:
        return psycopg.connect(_plain(address), autocommit=autocommit)
    except psycopg.Error as wrong:
        raise unusable(address, wrong) from wrong


def _run(command: Sequence[str], name: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        said = done.stderr.strip()[-400:]
        todo = f"mend what {name} says; it must be as new as the server"
        raise Fault("Backup", f"{name} must succeed", said, todo)


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        todo = "install PostgreSQL's client programs (on Debian: apt-get install postgresql-client)"
        raise Fault("Backup", f"a PostgreSQL database needs the program {name}", None, todo)
    return found


def _refuse_overwriting(name: str, there: bool, overwrite: bool) -> None:
    if there and not overwrite:
        todo = "name a new one with --database, or add --overwrite: what is there is lost then"
        raise Fault("Restore", "the database must not be there yet", name, todo)


def _refuse_difference(held: Contents, found: Contents) -> None:
    if held != found:
        todo = "do not use the copy; try another disk"
        raise Fault("Backup", f"the copy must hold {held}", found, todo)


def _no_backup(file: Path, why: str) -> Fault:
    return Fault("Backup", "the file must be a whole copy of a nursery", f"{file}: {why}", "check")


def _is_postgres(address: str) -> bool:
    return address.startswith("postgresql")


def _plain(address: str) -> str:
    return address.replace("postgresql+psycopg://", "postgresql://", 1)


def _path(address: str) -> Path:
    return Path(address.removeprefix("sqlite:///"))


def _to_disk(path: Path) -> None:
    """What was written must outlive a power cut from here on."""
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
