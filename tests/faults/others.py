"""A full disk, a clock that jumps, a network cut, and two planners at once."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from sqlalchemy import text

from nursery.database import open_database
from nursery.dispatching.dispatch import accept, plan_dispatch
from nursery.errors import Refused
from solver.run import Limits
from tests.faults.copies import backups
from tests.faults.jobs import jobs_cut_off
from tests.faults.judging import Verdict, judge
from tests.faults.news import news
from tests.faults.scene import Scene, scene
from tests.postgres import Disk, Server

_QUIET_SECONDS = 1.5


def full_disk(database: str, folder: Path) -> Verdict:
    """The disk fills while shops ask, stays full for a while, and has room again.

    A small disk in memory: root on Linux may make one. On SQLite, elsewhere, no file may grow any
    more (the servers' own limit); on PostgreSQL NoSmallDisk is raised then.
    Raises RuntimeError unless shops were told that the disk is full.
    """
    if database == "postgres":
        return _full_postgres(folder, Disk.ALL)
    disk = folder / "disk"
    disk.mkdir()
    mounted = _mounted(disk)
    try:
        with scene(database, disk) as at:
            at.until_answers(8)
            _fill(at, disk, mounted)
            _until_quiet(at)
            _make_room(at, disk, mounted)
            at.until_answers(8)
            if mounted:
                _refuse_silence(at)
            return at.judged()
    finally:
        if mounted:
            subprocess.run(["umount", "--lazy", str(disk)], check=True)


def full_wal_disk(database: str, folder: Path) -> Verdict:
    """The disk of PostgreSQL's write-ahead log fills: it ends by itself, and is started again."""
    return _full_postgres(folder, Disk.WAL)


def _full_postgres(folder: Path, disk: Disk) -> Verdict:
    with scene("postgres", folder, disk=disk) as at:
        assert at.postgres is not None
        at.until_answers(8)
        _fill(at, at.postgres.small_disk, mounted=True)
        _until_quiet(at)
        _make_room(at, at.postgres.small_disk, mounted=True)
        _begin_again(at.postgres)
        at.until_answers(8)
        if disk is Disk.ALL:
            _refuse_silence(at)
        elif "PANIC" not in at.postgres.said:
            raise RuntimeError("PostgreSQL had room for its log all the time")
        return at.judged()


def _begin_again(postgres: Server) -> None:
    """As whatever looks after services would: where it has ended by itself, it is started."""
    time.sleep(1.0)
    if not postgres.is_running:
        postgres.start()


def _refuse_silence(at: Scene) -> None:
    if not any("disk" in said and "full" in said for said in at.troubles):
        raise RuntimeError(f"no shop was told that the disk is full, but: {dict(at.troubles)}")


def _mounted(disk: Path) -> bool:
    if os.geteuid() != 0:
        return False
    command = ["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", str(disk)]
    return subprocess.run(command, capture_output=True).returncode == 0


def _fill(at: Scene, disk: Path, mounted: bool) -> None:
    if not mounted:
        _restart(at, (disk / "nursery.sqlite").stat().st_size)
        return
    with suppress(OSError), (disk / "filler").open("wb", buffering=0) as filler:
        while filler.write(bytes(4096)):
            pass


def _make_room(at: Scene, disk: Path, mounted: bool) -> None:
    if mounted:
        (disk / "filler").unlink()
    else:
        _restart(at, 0)


def _restart(at: Scene, most_bytes: int) -> None:
    at.servers.most_bytes = most_bytes
    for place in range(len(at.servers.ports)):
        at.servers.kill(place)
        at.servers.start(place)


def _until_quiet(at: Scene) -> None:
    """Until nobody was given an answer for a while."""
    until = time.monotonic() + 120
    before = -1
    while at.answers != before:
        if time.monotonic() > until:
            raise RuntimeError("the disk did not get full")
        before = at.answers
        time.sleep(_QUIET_SECONDS)


def clock_jumps(database: str, folder: Path) -> Verdict:
    """The database's clock goes an hour on, back again, and a day back, while shops ask.

    An hour is more than a reservation lasts: what has run out may be sold to others. When the clock
    goes back, that must not make it count a second time.
    """
    with scene(database, folder) as at:
        for seconds in (3600, -3600, -86400, 86400):
            at.until_answers(6)
            _shift(at, seconds)
        at.until_answers(6)
        return at.judged()


def _shift(at: Scene, seconds: int) -> None:
    db = open_database(at.address)
    with db.writing() as session:
        session.connection().execute(
            text("UPDATE site SET clock_shift_seconds = clock_shift_seconds + :more"),
            {"more": seconds},
        )
    db.close()


def network_cut(database: str, folder: Path) -> Verdict:
    """The network between the servers and PostgreSQL is cut and mended, three times."""
    with scene(database, folder, wired=True) as at:
        assert at.wire is not None
        for _ in range(3):
            at.until_answers(6)
            at.wire.cut()
            time.sleep(0.5)
            at.wire.mend()
        at.until_answers(6)
        return at.judged()


def answers_lost(database: str, folder: Path) -> Verdict:
    """Thirty times a commit is made, and the network is cut before its answer comes back."""
    with scene(database, folder, wired=True) as at:
        assert at.wire is not None
        for number in range(30):
            at.wire.lose_the_answer_to(b"COMMIT")
            until = time.monotonic() + 60
            while at.wire.lost <= number:
                if time.monotonic() > until:
                    raise RuntimeError("nobody commits")
                time.sleep(0.005)
            at.until_answers(2)
        return at.judged()


def two_planners(database: str, folder: Path) -> Verdict:
    """Two planners plan the dispatch of the same orders, and accept at the same moment.

    Raises RuntimeError unless exactly one is accepted and the other told that it no longer fits.
    """
    with scene(database, folder) as at:
        at.until_answers(20)
        at.rest()
        ends: list[str] = []
        gate = threading.Barrier(2)
        planners = [
            threading.Thread(target=_plan, args=(at.address, name, gate, ends))
            for name in ("Ada", "Ben")
        ]
        for planner in planners:
            planner.start()
        for planner in planners:
            planner.join()
        if sorted(ends) != ["accepted", "plan_no_longer_fits"]:
            raise RuntimeError(f"two planners at once were told: {ends}")
        return judge(at.address, at.shops)


def _plan(address: str, name: str, gate: threading.Barrier, ends: list[str]) -> None:
    db = open_database(address)
    try:
        report = plan_dispatch(db, Limits(seconds=3), name, accept_it=False)
        gate.wait(timeout=300)
        with db.writing() as session:
            accept(session, report.version, name)
        ends.append("accepted")
    except Refused as refused:
        ends.append(refused.refusal.code)
    except Exception as wrong:
        ends.append(repr(wrong))
        gate.abort()
    finally:
        db.close()


OTHERS: dict[str, tuple[tuple[str, ...], Callable[[str, Path], Verdict]]] = {
    "full disk": (("sqlite", "postgres"), full_disk),
    "full disk of the log": (("postgres",), full_wal_disk),
    "clock jumps": (("sqlite", "postgres"), clock_jumps),
    "network cut": (("postgres",), network_cut),
    "answers lost": (("postgres",), answers_lost),
    "jobs cut off": (("sqlite", "postgres"), jobs_cut_off),
    "backups": (("sqlite", "postgres"), backups),
    "webhooks": (("sqlite", "postgres"), news),
    "two planners": (("sqlite", "postgres"), two_planners),
}
"""On which databases is each played? (SQLite has no network, and one file beside its own.)"""
