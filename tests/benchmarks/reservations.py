"""How many reservations a second are made durable, how long does one take, is any plug sold twice?

    python -m tests.benchmarks.reservations [--seconds N] [--database sqlite|postgres|both]

Clients (threads, each waits for its answer before it asks again) reserve one or two products at a
nursery of 64 pools, spread over the pools or all on one, in three ways: `group` is the writer that
the API uses (`promising.group_commit`), `alone` is one commit a request by the same services with
the same idempotency keys, `bare` is nothing but a commit of one row by the database's own driver,
by one client, just before and just after each of the others. `cpu_ms` is this process's processor
time for each, clients included. Durable: synchronous=FULL with WAL on SQLite, fsync and
synchronous_commit on PostgreSQL.

One JSON line a result. The last is the summary: `sqlite_over_bare` (group, 32 clients, the worse
of spread and contended, over the bare commits around it), `postgres_contended_over_alone` (group
over alone, 32 clients on one pool, each over the bare commits around it), and `oversold`: plugs
promised beyond what the lots hold, by plain SQL, after every run and after one that sells out.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import text
from sqlalchemy.exc import TimeoutError
from sqlmodel import Session

from nursery.access import Role, make_token
from nursery.crop import Crop, Protocol
from nursery.database import Database, migrate, now, open_database
from nursery.order import Product
from nursery.promising.basket import Basket, BasketLine
from nursery.promising.group_batch import Request, reserving
from nursery.promising.group_books import Wish
from nursery.promising.group_commit import GroupCommit
from nursery.promising.idempotent import once
from nursery.stock import Grade, Pool
from tests.builders import crop_named, ready_lot
from tests.postgres import new_database
from tests.postgres import postgres as throwaway
from tests.shop import HERE, MONDAY, THERE, mild_nursery

POOLS, PLENTY, SCARCE = 64, 6_000_000, 3_000
CLIENTS = (1, 8, 32)
DAYS = [MONDAY + timedelta(days=n) for n in (1, 2, 3, 8, 9, 10)]
OVERSOLD = text(
    "SELECT coalesce(sum(CASE WHEN asked > held THEN asked - held ELSE 0 END), 0) FROM"
    " (SELECT pool.id, (SELECT coalesce(sum(plugs), 0) FROM lot WHERE lot.pool_id = pool.id)"
    " AS held, (SELECT coalesce(sum(line.plugs), 0) FROM promise_line AS line JOIN promise"
    " ON promise.id = line.promise_id WHERE line.pool_id = pool.id"
    " AND promise.state IN ('reserved', 'confirmed')) AS asked FROM pool) AS pools"
)
Ask = Callable[[Request], Any]
_numbers = itertools.count(1)


def stock_up(session: Session) -> None:
    """64 pools with two lots each that serve all the days, and one pool that runs out."""
    here = mild_nursery(session, plugs=0)
    here.packing_minutes_a_day = 10**9
    template = crop_named(session, "Caltha palustris").protocols[0]
    for i in range(POOLS + 1):
        crop = Crop(botanical_name=f"Marsh plant {i}", plant_group="marsh")
        crop.protocols = [_protocol(template)]
        session.add(crop)
        session.flush()
        assert crop.id is not None
        session.add(Pool(crop_id=crop.id, grade=Grade.A))
        session.add(Product(code=f"P{i}", name=f"Plant {i}", crop_id=crop.id, plugs=6))
        session.flush()
        plugs = PLENTY if i < POOLS else SCARCE
        for days in (60, 90):
            ready_lot(session, crop, plugs // 2, MONDAY, MONDAY + timedelta(days=days))
    make_token(session, "web shop", Role.SHOP, now(session))


def _protocol(like: Protocol) -> Protocol:
    kept = like.model_dump(exclude={"id", "crop_id"})
    stages = [type(s)(**s.model_dump(exclude={"id", "protocol_id"})) for s in like.stages]
    return Protocol(**kept, stages=stages)


def request(pools: Sequence[int]) -> Request:
    """A new customer's basket: one product of one of these pools, every third one two."""
    number = next(_numbers)
    chosen = {pools[number % len(pools)], pools[(number * 7) % len(pools)]}
    codes = sorted(chosen)[: 2 if number % 3 == 0 else 1]
    basket = Basket(tuple(BasketLine(f"P{each}", 1) for each in codes))
    to = HERE if number % 2 else THERE
    wish = Wish(f"S-{number}", basket, to, DAYS[number % len(DAYS)], "Van", "web shop")
    return reserving(1, f"key {number}", {"number": number, "codes": codes}, wish)


def alone(db: Database) -> Ask:
    """One commit a request."""

    def ask(asked: Request) -> Any:
        def act(session: Session) -> Any:
            return asdict(asked.alone(session))  # type: ignore[call-overload]

        try:
            return once(db, asked.token_id, asked.key, asked.body, act)
        except TimeoutError:  # no connection of the pool came free: not granted
            return {}

    return ask


def run(ask: Callable[[], bool], clients: int, seconds: float) -> dict[str, Any]:
    """Let so many clients ask for so long. `ask` says whether it was granted."""
    taken: list[list[float]] = [[] for _ in range(clients)]
    granted = [0] * clients
    begin = threading.Barrier(clients + 1)
    over = threading.Event()

    def client(i: int) -> None:
        begin.wait()
        while not taken[i] or not over.is_set():
            start = time.perf_counter()
            granted[i] += ask()
            taken[i].append(time.perf_counter() - start)

    threads = [threading.Thread(target=client, args=(i,)) for i in range(clients)]
    for each in threads:
        each.start()
    begin.wait()
    start, cpu = time.perf_counter(), time.process_time()
    time.sleep(seconds)
    over.set()
    for each in threads:
        each.join()
    wall, cpu = time.perf_counter() - start, time.process_time() - cpu
    every = sorted(itertools.chain.from_iterable(taken))
    return {
        "clients": clients,
        "a_second": round(sum(granted) / wall, 1),
        "cpu_ms": round(1e3 * cpu / max(1, sum(granted)), 3),
        "p50_ms": round(1e3 * every[len(every) // 2], 2),
        "p99_ms": round(1e3 * every[min(len(every) - 1, len(every) * 99 // 100)], 2),
    }


def oversold(db: Database) -> int:
    """How many plugs are promised that no lot holds? All lots serve all days here."""
    with db.reading() as session:
        return int(session.connection().execute(OVERSOLD).scalar_one())


def sell_out(ask: Ask) -> int:
    """Eight clients want more of the scarce pool than there is. How many plugs were granted?"""
    granted = [0] * 8

    def client(i: int) -> None:
        for _ in range(SCARCE // 6 // 8 + 3):
            granted[i] += "id" in ask(request([POOLS]))

    threads = [threading.Thread(target=client, args=(i,)) for i in range(8)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    return 6 * sum(granted)


def measure(db: Database, name: str, bare: Callable[[], bool], seconds: float) -> dict[str, Any]:
    """All the runs at one database; the summary's numbers."""
    found: dict[str, Any] = {}
    beyond = 0
    warm = 0.3

    def said(**line: Any) -> float:
        print(json.dumps({"database": name, **line}), flush=True)
        return float(line["a_second"])

    run(bare, 1, warm)
    spread = {"spread": list(range(POOLS)), "one pool": [0]}
    with GroupCommit(db) as writer:
        ways: dict[str, Ask] = {"group": writer.answer, "alone": alone(db)}
        for (where, pools), clients in itertools.product(spread.items(), CLIENTS):
            for way, ask in ways.items():
                granted = _granting(ask, pools)
                run(granted, clients, warm)
                # Other programs share the machine: a bare run just before and just after each.
                before = said(way="bare", **run(bare, 1, seconds / 2))
                rate = said(way=way, pools=where, **run(granted, clients, seconds))
                after = said(way="bare", **run(bare, 1, seconds / 2))
                found[f"{way} {where} {clients}"] = (rate, 2 * rate / (before + after))
                beyond += oversold(db)
        sold = sell_out(writer.answer)
        beyond += oversold(db)
    print(json.dumps({"database": name, "way": "sold out", "held": SCARCE, "sold": sold}))
    return {**found, "oversold": beyond, "sold_out": sold == SCARCE}


def _granting(ask: Ask, pools: Sequence[int]) -> Callable[[], bool]:
    return lambda: "id" in ask(request(pools))


@contextmanager
def sqlite(folder: Path) -> Iterator[tuple[Database, Callable[[], bool]]]:
    """A SQLite nursery, and a commit of one row in a file beside it."""
    db = open_database(str(folder / "nursery.sqlite"))
    plain = sqlite3.connect(folder / "bare.sqlite", isolation_level=None, check_same_thread=False)
    for pragma in ("journal_mode=WAL", "synchronous=FULL"):
        plain.execute(f"PRAGMA {pragma}")
    plain.execute("CREATE TABLE bare (id INTEGER PRIMARY KEY, at REAL)")

    def bare() -> bool:
        plain.execute("BEGIN IMMEDIATE")
        plain.execute("INSERT INTO bare (at) VALUES (?)", (time.time(),))
        plain.execute("COMMIT")
        return True

    try:
        yield db, bare
    finally:
        plain.close()
        db.close()


@contextmanager
def postgres(address: str) -> Iterator[tuple[Database, Callable[[], bool]]]:
    """A PostgreSQL nursery, and a commit of one row in a database of its own on the same server."""
    db = open_database(address)
    plain = psycopg.connect(new_database(address).replace("+psycopg", "", 1))
    plain.execute("CREATE TABLE bare (id BIGSERIAL PRIMARY KEY, at DOUBLE PRECISION)")
    for setting in ("fsync", "synchronous_commit"):
        row = plain.execute(f"SHOW {setting}").fetchone()
        assert row == ("on",), f"{setting} must be on"
    plain.commit()

    def bare() -> bool:
        plain.execute("INSERT INTO bare (at) VALUES (%s)", (time.time(),))
        plain.commit()
        return True

    try:
        yield db, bare
    finally:
        plain.close()
        db.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=3.0, help="of each of the runs")
    parser.add_argument("--database", choices=("sqlite", "postgres", "both"), default="both")
    asked = parser.parse_args()
    found: dict[str, dict[str, Any]] = {}
    with ExitStack() as stack:
        if asked.database != "postgres":
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
            db, bare = stack.enter_context(sqlite(folder))
            found["sqlite"] = _measured(db, "sqlite", bare, asked.seconds)
        if asked.database != "sqlite":
            db, bare = stack.enter_context(postgres(stack.enter_context(throwaway())))
            found["postgres"] = _measured(db, "postgres", bare, asked.seconds)
    print(json.dumps(summary(found)))


def _measured(db: Database, name: str, bare: Callable[[], bool], seconds: float) -> dict[str, Any]:
    migrate(db)
    with db.writing() as session:
        stock_up(session)
    return measure(db, name, bare, seconds)


def summary(found: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """The ratios that the goals are stated in."""
    line: dict[str, Any] = {"name": "reservations"}
    for name, each in found.items():
        groups = [each[f"group {where} 32"][1] for where in ("spread", "one pool")]
        contended = each["group one pool 32"][1] / max(each["alone one pool 32"][1], 1e-9)
        line[f"{name}_over_bare"] = round(min(groups), 3)
        line[f"{name}_contended_over_alone"] = round(contended, 2)
        line[f"{name}_sold_out"] = each["sold_out"]
    return {**line, "oversold": sum(each["oversold"] for each in found.values())}


if __name__ == "__main__":
    main()
