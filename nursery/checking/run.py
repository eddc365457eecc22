"""Which rules must a nursery's books keep, and which of them are broken?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import MappingProxyType

from sqlalchemy.exc import DatabaseError

from nursery.checking.answers import answers, outbox
from nursery.checking.ledger import difference, ledger
from nursery.checking.oversold import lacks, oversold
from nursery.checking.promises import day_capacity, promises
from nursery.checking.snapshot import Snapshot, Wrong, snapshot

_RESTORE = "Stop the server, keep a copy of the file, and restore the last backup"


def storage(books: Snapshot) -> Iterator[Wrong]:
    """The file itself is sound, and no row names another that is not there (SQLite; PostgreSQL
    sees to both by itself).
    """
    if not books.is_sqlite:
        return
    for (said,) in books.rows("PRAGMA integrity_check(20)"):
        if said != "ok":
            yield Wrong("storage", "Database file", str(said), _RESTORE)
    for table, row, other, _ in books.rows("PRAGMA foreign_key_check"):
        said = f"row {row} names a row of '{other}' that is not there"
        yield Wrong("storage", f"Table '{table}'", said, _RESTORE)


RULES: MappingProxyType[str, Callable[[Snapshot], Iterator[Wrong]]] = MappingProxyType(
    {
        "storage": storage,
        "ledger": ledger,
        "oversold": oversold,
        "promises": promises,
        "day capacity": day_capacity,
        "answers": answers,
        "outbox": outbox,
    }
)


@dataclass(frozen=True, slots=True)
class Checked:
    """What did the check find? `oversold` and `ledger_difference` are in plugs.

    Where the database is so broken that a rule cannot be read, all numbers are 0.
    """

    faults: tuple[Wrong, ...]
    oversold: int
    ledger_difference: int
    batches: int
    lots: int
    promises: int


def check_database(address: str) -> Checked:
    """Do the books at this address hold? All rules, at one moment, while others may write."""
    with snapshot(address) as books:
        faults = tuple(_found(books))
        if any(fault.thing.startswith("Rule ") for fault in faults):
            return Checked(faults, 0, 0, 0, 0, 0)
        return Checked(
            faults=faults,
            oversold=sum(lack.plugs for lack in lacks(books).values()),
            ledger_difference=difference(books),
            batches=_many(books, "batch"),
            lots=_many(books, "lot"),
            promises=_many(books, "promise"),
        )


def _found(books: Snapshot) -> Iterator[Wrong]:
    for name, rule in RULES.items():
        try:
            yield from rule(books)
        except DatabaseError as fault:
            said = f"this rule could not be read: {str(fault.orig)[:160]}"
            yield Wrong(name, f"Rule '{name}'", said, _RESTORE)
            if not books.is_sqlite:
                return  # PostgreSQL answers nothing more in this transaction


def _many(books: Snapshot, table: str) -> int:
    return int(books.rows(f'SELECT COUNT(*) FROM "{table}"')[0][0])
