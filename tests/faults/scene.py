"""A small nursery where one crop is soon sold out, on SQLite or on a PostgreSQL of its own."""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import psycopg

from nursery.access import Role, make_token
from nursery.database import Database, migrate, now, open_database
from nursery.promising.quote import quote
from tests.builders import crop_named, ready_lot
from tests.faults.judging import Verdict, judge
from tests.faults.serving import Servers, Wire, servers
from tests.faults.shops import Shop
from tests.postgres import Disk, Server, server
from tests.shop import HERE, MONDAY, caltha, mild_nursery


@dataclass
class Scene:
    """A database, its servers, and the shops that ask them."""

    address: str
    folder: Path
    servers: Servers
    shops: list[Shop]
    postgres: Server | None
    wire: Wire | None

    def judged(self) -> Verdict:
        """What is left, once every shop has brought its request to an end?"""
        self.rest()
        return judge(self.address, self.shops)

    def rest(self, giving_up: bool = False) -> None:
        """Lets the shops end what they have begun."""
        for shop in self.shops:
            shop.stopping.set()
            if giving_up:
                shop.giving_up.set()
        for shop in self.shops:
            shop.join()
        wrong = [shop.wrong for shop in self.shops if shop.wrong is not None]
        if wrong:
            raise wrong[0]

    @property
    def answers(self) -> int:
        """How many answers have the shops been given so far?"""
        return sum(shop.told.answers for shop in self.shops)

    @property
    def troubles(self) -> Counter[str]:
        """What did servers say where they could not do what was asked just now?"""
        return sum((shop.told.troubles for shop in self.shops), Counter())

    def asking(self) -> list[tuple[str, int]]:
        """Which requests are under way, and at which ports?"""
        return [asked for shop in self.shops if (asked := shop.asking) is not None]

    def until_answers(self, more: int, seconds: float = 600.0) -> None:
        """Waits until the shops were given so many answers more."""
        wanted, until = self.answers + more, time.monotonic() + seconds
        while self.answers < wanted:
            if time.monotonic() > until:
                said = (self.folder / "servers.log").read_text()[-2000:]
                raise RuntimeError(f"only {self.answers} of {wanted} answers came: {said}")
            time.sleep(0.005)


def stocked(db: Database) -> tuple[str, list[str]]:
    """A nursery with plugs enough for most, and one crop that is soon sold out.

    A shop's token, and three open ship days. What nobody confirms is soon for others again.
    """
    migrate(db)
    with db.writing() as session:
        site = mild_nursery(session, MONDAY, plugs=4800)
        site.horizon_days, site.packing_minutes_a_day = 30, 2000
        site.reservation_minutes = 2
        primula = crop_named(session, "Primula rosea")
        for weeks in range(3):  # perishable: each lot for a few days only
            first = MONDAY + timedelta(days=weeks)
            ready_lot(session, primula, 60, first, first + timedelta(days=8))
        secret = make_token(session, "web shop", Role.SHOP, now(session))
    with db.reading() as session:
        options = quote(session, caltha(1), HERE, date(2027, 3, 2)).options
    return secret, sorted(option.ship_on.isoformat() for option in options)[:3]


@contextmanager
def scene(
    database: str,
    folder: Path,
    clients: int = 4,
    many: int = 2,
    wired: bool = False,
    disk: Disk = Disk.LARGE,
) -> Iterator[Scene]:
    """Servers answer and shops ask for as long as the block lasts."""
    if database == "sqlite":
        with _asked(
            f"sqlite:///{folder / 'nursery.sqlite'}", folder, clients, many, None, None
        ) as at:
            yield at
        return
    with server(durable=True, disk=disk) as postgres:
        _recover_quickly(postgres)
        wire = Wire(postgres.port) if wired else None
        try:
            with _asked(postgres.address, folder, clients, many, postgres, wire) as at:
                yield at
        finally:
            if wire is not None:
                wire.close()


@contextmanager
def _asked(
    address: str,
    folder: Path,
    clients: int,
    many: int,
    postgres: Server | None,
    wire: Wire | None,
) -> Iterator[Scene]:
    db = open_database(address)
    secret, days = stocked(db)
    db.close()
    served = address
    if postgres is not None and wire is not None:
        served = address.replace(f":{postgres.port}/", f":{wire.port}/")
    with servers(served, folder, many) as running:
        shops = _open_shops(clients, running.ports, secret, days)
        there = Scene(address, folder, running, shops, postgres, wire)
        try:
            yield there
        finally:
            there.rest(giving_up=True)


def _recover_quickly(postgres: Server) -> None:
    """After a kill -9 Linux is asked to write all that waits at once, not file by file."""
    if sys.platform != "linux":
        return
    plain = postgres.address.replace("postgresql+psycopg://", "postgresql://", 1)
    with psycopg.connect(plain, autocommit=True) as connection:
        connection.execute("ALTER SYSTEM SET recovery_init_sync_method = 'syncfs'")


def _open_shops(many: int, ports: Sequence[int], secret: str, days: Sequence[str]) -> list[Shop]:
    shops = [Shop(number, ports, secret, days) for number in range(many)]
    for shop in shops:
        shop.start()
    return shops
