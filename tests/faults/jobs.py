"""kill -9 of the server while a plan is made: no half plan, the job says so, a new one runs."""

from __future__ import annotations

import json
import os
import random
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
from sqlalchemy import text
from websockets.sync.client import connect
from websockets.typing import Subprotocol

from nursery.access import Role, make_token
from nursery.checking import check_database
from nursery.checking.snapshot import snapshot
from nursery.database import Database, migrate, now, open_database
from nursery.demand import Demand, DemandKind
from nursery.weeks import Week
from tests.builders import crop_named, open_order, product_of, ready_lot
from tests.faults.judging import Verdict
from tests.faults.serving import Servers, servers
from tests.postgres import server
from tests.shop import MONDAY, mild_nursery

_STARTS = {
    "planPropagation": "weeks: 20, seconds: {}",
    "planDispatch": "seconds: {}, accept: true",
}
_GIVEN = "{ __typename ... on Job { id state refusal { code } } ... on Refusal { code message } }"
_PATIENCE_SECONDS = 120.0
_LONG = 600


@dataclass(frozen=True, slots=True)
class CutOff:
    """What became of the jobs whose server was killed?

    `ends` counts their ends ("FAILED CUT_OFF", "DONE"); `half` are plans that are kept of a job
    that never ended, with what of them was carried out; `orphans` are processes that went on;
    `locked` are kinds of which no new job could be started; `seconds` is the longest time until
    the job showed as cut off.
    """

    kills: int
    ends: dict[str, int]
    half: tuple[str, ...]
    orphans: int
    locked: tuple[str, ...]
    seconds: float
    faults: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Is nothing left of what was killed?"""
        return not (self.half or self.orphans or self.locked or self.faults)


def jobs_killed(database: str, folder: Path, kills: int, patient: bool, seed: int = 1) -> CutOff:
    """What is left when a server is killed in the middle of so many jobs, by turns of each kind?

    Unless `patient`, what was last heard of the killed is put a minute back, instead of waiting
    for the half minute after which a silent job counts as cut off.
    Raises RuntimeError or TimeoutError where a job does not show as ended, or no new one may begin.
    """
    chance = random.Random(seed)
    ends: dict[str, int] = {}
    half: list[str] = []
    locked: list[str] = []
    orphans, longest = 0, 0.0
    with _office(database, folder) as office:
        for number in range(kills):
            action = list(_STARTS)[number % 2]
            before = office.plans()
            job = office.start(action, _LONG)
            child = office.child_at_work()
            time.sleep(chance.random() * (3 if patient else 1))  # reading, solving, or writing down
            office.servers.kill(0)
            orphans += not _ends_soon(child)
            kept = office.plans() - before
            if not patient:
                office.let_a_minute_pass()
            office.servers.start(0)
            office.servers.wait()
            began = time.monotonic()
            end = office.ended(job)
            longest = max(longest, time.monotonic() - began)
            ends[end] = ends.get(end, 0) + 1
            if kept and end != "DONE":
                half.append(f"{action}: {end}, and {kept} plans are kept")
            again = office.start(action, 1)
            if (last := office.ended(again)) != "DONE":
                locked.append(f"{action}: a new job ended {last}")
        faults = tuple(fault.line() for fault in check_database(office.db.address).faults)
    return CutOff(kills, ends, tuple(half), orphans, tuple(locked), round(longest, 1), faults)


def jobs_cut_off(database: str, folder: Path) -> Verdict:
    """Servers are killed in the middle of jobs: six times, and twice with all the waiting."""
    quick = jobs_killed(database, folder, kills=6, patient=False)
    (folder / "patient").mkdir()
    patient = jobs_killed(database, folder / "patient", kills=2, patient=True)
    ends = dict(Counter(quick.ends) + Counter(patient.ends))
    orphans = tuple("a job's process went on" for _ in range(quick.orphans + patient.orphans))
    wrong = (*quick.half, *patient.half, *quick.locked, *patient.locked, *orphans)
    figures = {
        "kills": quick.kills + patient.kills,
        "ends": ends,
        "seconds_until_told": patient.seconds,
    }
    faults = (*wrong, *quick.faults, *patient.faults)
    return Verdict(0, 0, (), (), (), 0, 0, faults, figures)


@dataclass
class _Office:
    db: Database
    servers: Servers
    secret: str

    def start(self, action: str, seconds: int) -> str:
        """The global id of a job that was started. Waits while the kind is said to be busy."""
        given = f'key: "{uuid4().hex}", {_STARTS[action].format(seconds)}'
        until = time.monotonic() + _PATIENCE_SECONDS
        while True:
            answer = self._ask(f"mutation {{ {action}({given}) {_GIVEN} }}")
            if "id" in answer:
                return str(answer["id"])
            if answer.get("code") != "JOB_RUNNING" or time.monotonic() > until:
                raise RuntimeError(f"{action} was answered {answer}")
            time.sleep(0.2)

    def ended(self, job: str) -> str:
        """How did it end? "DONE", "FAILED CUT_OFF", ... As the lead who follows it hears."""
        query = f'subscription {{ jobProgress(id: "{job}") {_GIVEN} }}'
        asked = {"id": "1", "type": "subscribe", "payload": {"query": query}}
        heard: dict[str, Any] = {}
        with connect(
            f"ws://127.0.0.1:{self.servers.ports[0]}/graphql",
            subprotocols=[Subprotocol("graphql-transport-ws")],
            additional_headers={"Authorization": f"Bearer {self.secret}"},
        ) as socket:
            socket.send(json.dumps({"type": "connection_init"}))
            socket.recv(_PATIENCE_SECONDS)
            socket.send(json.dumps(asked))
            while (said := json.loads(socket.recv(_PATIENCE_SECONDS)))["type"] == "next":
                heard = said["payload"]["data"]["jobProgress"]
        refusal = heard.get("refusal") or {}
        return " ".join(str(w) for w in (heard.get("state"), refusal.get("code")) if w)

    def child_at_work(self) -> int:
        """The process that makes the plan, once there is one."""
        until = time.monotonic() + _PATIENCE_SECONDS
        while time.monotonic() < until:
            for child in _children_of(self.servers.pid(0)):
                with suppress(OSError):
                    if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                        return child
            time.sleep(0.01)
        raise RuntimeError("no process was started for the job")

    def plans(self) -> int:
        with snapshot(self.db.address) as books:
            return int(books.rows("SELECT COUNT(*) FROM plan_version")[0][0])

    def let_a_minute_pass(self) -> None:
        """For what was last heard of jobs and of those that carry them out."""
        with self.db.writing() as session:
            run = session.connection().execute
            if self.db.is_sqlite:
                back = "strftime('%Y-%m-%d %H:%M:%f', told_at, '-60 seconds')"
                run(text(f"UPDATE plan_job SET told_at = {back} WHERE state = 'running'"))
                return
            back = "told_at - interval '60 seconds'"
            run(text(f"UPDATE plan_job SET told_at = {back} WHERE state = 'running'"))
            beat = "last_heartbeat - interval '60 seconds'"
            run(text(f"UPDATE public_queue.procrastinate_workers SET last_heartbeat = {beat}"))

    def _ask(self, document: str) -> Any:
        answer = httpx.post(
            f"http://127.0.0.1:{self.servers.ports[0]}/graphql",
            json={"query": document},
            headers={"authorization": f"Bearer {self.secret}"},
            timeout=30,
        ).json()
        if answer.get("errors"):
            raise RuntimeError(json.dumps(answer["errors"]))
        (found,) = answer["data"].values()
        return found


@contextmanager
def _office(database: str, folder: Path) -> Iterator[_Office]:
    if database == "sqlite":
        with _served(f"sqlite:///{folder / 'nursery.sqlite'}", folder) as office:
            yield office
        return
    with server(durable=True) as postgres, _served(postgres.address, folder) as office:
        yield office


@contextmanager
def _served(address: str, folder: Path) -> Iterator[_Office]:
    db = open_database(address)
    try:
        secret = _something_to_plan(db)
        with servers(address, folder, many=1) as running:
            yield _Office(db, running, secret)
    finally:
        db.close()


def _something_to_plan(db: Database) -> str:
    """Plugs that are wanted, orders that are open; the lead's token."""
    migrate(db)
    with db.writing() as session:
        mild_nursery(session, MONDAY, plugs=0)
        for name in ("Caltha palustris", "Primula rosea"):
            crop = crop_named(session, name)
            assert crop.id is not None
            for week in range(10, 18):
                when, plugs = str(Week.of(MONDAY) + week), 150 + 10 * week
                kind = DemandKind.EXPECTED_SALES
                session.add(Demand(crop_id=crop.id, kind=kind, week=when, plugs=plugs))
            ready_lot(session, crop, 400, MONDAY - timedelta(days=7), MONDAY + timedelta(days=40))
            for n in range(30):
                open_order(session, f"{crop.id}-{n}", product_of(session, crop))
        return make_token(session, "the lead", Role.LEAD, now(session))


def _ends_soon(process: int) -> bool:
    until = time.monotonic() + 15
    while time.monotonic() < until:
        try:
            state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            return True
        if state == "Z":
            return True
        time.sleep(0.05)
    os.kill(process, 9)
    return False


def _children_of(pid: int) -> list[int]:
    found = []
    for each in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            if int(each.read_text().rpartition(")")[2].split()[1]) == pid:
                found.append(int(each.parent.name))
    return found
