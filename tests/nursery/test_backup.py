"""A backup that is taken while others write, and what it is worth when it is restored."""

import json
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import date
from pathlib import Path

import pytest

from nursery.checking import check_database
from nursery.commands.backup import Contents, sqlite_contents, take_back, take_backup
from nursery.database import Database, open_database
from nursery.errors import Fault
from nursery.promising.promise import cancel, confirm, reserve
from tests.nursery.test_commands_day import Terminal
from tests.shop import HERE, caltha, mild_nursery

WEDNESDAY = date(2027, 3, 3)


@pytest.fixture
def nursery(db: Database) -> Database:
    """600 plugs for sale."""
    with db.writing() as session:
        mild_nursery(session, plugs=600)
    return db


def path_of(db: Database) -> Path:
    """Where is its file?"""
    return Path(db.address.removeprefix("sqlite:///"))


def contents(path: Path) -> Contents:
    """What does a database hold now?"""
    with closing(sqlite3.connect(path)) as connection:
        return sqlite_contents(connection)


@contextmanager
def shop_that_never_stops(address: str, at_least: int) -> Iterator[list[int]]:
    """Promises that a shop was told of, by its own connection, for as long as the block lasts."""
    told: list[int] = []
    stop, begun = threading.Event(), threading.Event()

    def sell() -> None:
        own = open_database(address)
        number = 0
        while not stop.is_set():
            number += 1
            with own.writing() as session:
                kept = reserve(session, f"W-{number}", caltha(1), HERE, WEDNESDAY, "Van", "shop")
            with own.writing() as session:
                confirm(session, kept.id or 0, "shop")
            told.append(kept.id or 0)
            if number % 2:
                with own.writing() as session:
                    cancel(session, kept.id or 0, "shop")
            if number >= at_least:
                begun.set()
        own.close()

    seller = threading.Thread(target=sell)
    seller.start()
    try:
        assert begun.wait(timeout=120)
        yield told
    finally:
        stop.set()
        seller.join()


def test_a_backup_taken_while_a_shop_sells_is_the_database_at_one_moment(
    nursery: Database, tmp_path: Path
) -> None:
    taken: list[tuple[int, int, Contents, Path]] = []
    with shop_that_never_stops(nursery.address, at_least=3) as told:
        for number in range(3):
            before, file = len(told), tmp_path / f"{number}.backup"
            held = take_backup(nursery.address, file)
            taken.append((before, len(told), held, file))
    for before, after, held, file in taken:
        back = tmp_path / f"{file.stem}.sqlite"
        assert take_back(str(back), file, overwrite=False) == held == contents(file)
        found = check_database(str(back))
        assert found.faults == ()
        # Everything that was told before it began is in it, and nothing of after it ended (at
        # most the one promise that was under way).
        assert before <= found.promises <= after + 1
    assert check_database(str(path_of(nursery))).promises == len(told)


def test_a_restored_copy_goes_on_as_the_original_would(nursery: Database, tmp_path: Path) -> None:
    with nursery.writing() as session:
        reserve(session, "W-1", caltha(1), HERE, WEDNESDAY, "Van", "shop")
    take_backup(str(path_of(nursery)), tmp_path / "b")
    with nursery.writing() as session:
        confirm(session, 1, "shop")
    take_back(str(tmp_path / "back.sqlite"), tmp_path / "b", overwrite=False)
    again = open_database(str(tmp_path / "back.sqlite"))
    with again.writing() as session:
        assert confirm(session, 1, "shop").state == "confirmed"
    again.close()


def test_a_database_is_overwritten_only_when_told(nursery: Database, tmp_path: Path) -> None:
    file, path = tmp_path / "b", path_of(nursery)
    held = take_backup(str(path), file)
    with nursery.writing() as session:
        reserve(session, "W-1", caltha(1), HERE, WEDNESDAY, "Van", "shop")
    nursery.close()
    with pytest.raises(Fault, match="must not be there yet"):
        take_back(str(path), file, overwrite=False)
    assert contents(path) != held
    assert take_back(str(path), file, overwrite=True) == held == contents(path)


def test_a_backup_never_replaces_a_file_and_leaves_none_half_written(
    nursery: Database, tmp_path: Path
) -> None:
    file = tmp_path / "b"
    file.write_text("last year's")
    with pytest.raises(Fault, match="must not be there yet"):
        take_backup(str(path_of(nursery)), file)
    assert file.read_text() == "last year's"
    with pytest.raises(Fault, match="must exist"):
        take_backup(str(tmp_path / "none.sqlite"), tmp_path / "c")
    assert not list(tmp_path.glob("c*"))


def test_a_torn_backup_is_not_restored(nursery: Database, tmp_path: Path) -> None:
    file = tmp_path / "b"
    take_backup(str(path_of(nursery)), file)
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])
    with pytest.raises(Fault, match="must be a whole copy"):
        take_back(str(tmp_path / "back.sqlite"), file, overwrite=False)
    assert not (tmp_path / "back.sqlite").exists()


def test_backup_restore_and_check_at_the_command_line(
    nursery: Database,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    terminal = Terminal(path_of(nursery), monkeypatch, capsys)
    file, back = str(tmp_path / "b"), str(tmp_path / "back.sqlite")
    saved = json.loads(terminal.says("backup", file, "--json"))
    restored = json.loads(terminal.says("restore", file, "--database", back, "--json"))
    assert restored["digest"] == saved["digest"]
    assert "No fault" in terminal.says("check", "--database", back)
    assert "add --overwrite" in terminal.refuses("restore", file, "--database", back)


def test_a_backup_into_a_folder_that_is_not_there_is_one_sentence(
    db: Database, tmp_path: Path
) -> None:
    with pytest.raises(Fault, match="its folder must exist"):
        take_backup(db.address, tmp_path / "nowhere" / "copy.sqlite")
