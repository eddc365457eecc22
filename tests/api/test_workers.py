"""Several server processes share one PostgreSQL: a plan is watched and stopped from any of them."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import httpx
import pytest
from sqlmodel import select

from api.workers import serve_many
from nursery.access import Role
from nursery.database import Database, clock
from nursery.demand import Demand, DemandKind
from nursery.errors import Fault
from nursery.plan_job import JobKind, JobState, PlanJob
from nursery.planned import PlanVersion
from nursery.weeks import Week
from tests.api.server import serving, tokens
from tests.api.shop import MONDAY, Shop
from tests.builders import crop_named
from tests.postgres import free_port

JOB = "{ __typename ... on Job { id state version refusal { code } } ... on Refusal { code } }"
LONG = f'mutation {{ planPropagation(key: "long", weeks: 20, seconds: 600) {JOB} }}'


def _with_demand(db: Database) -> str:
    """The lead's secret of a small nursery that has something to plan."""
    secret = tokens(db)[Role.LEAD]
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        assert crop.id is not None
        week = str(Week.of(MONDAY) + 14)
        session.add(Demand(crop_id=crop.id, week=week, kind=DemandKind.EXPECTED_SALES, plugs=300))
    return secret


@contextmanager
def _processes(db: Database, workers: int) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """`nursery serve` as a user starts it, on a free port."""
    port = free_port()
    command = [sys.executable, "-m", "nursery.cli", "serve", "--port", str(port)]
    server = subprocess.Popen(
        [*command, "--workers", str(workers), "--database", db.address], start_new_session=True
    )
    address = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + 300
        while not _answers(address):
            assert server.poll() is None and time.monotonic() < until
            time.sleep(0.2)
        yield address, server
    finally:
        if server.poll() is None:
            server.send_signal(signal.SIGINT)
        server.wait(60)


def _answers(address: str) -> bool:
    try:
        return httpx.get(f"{address}/health").status_code == 200
    except httpx.TransportError:
        return False


def _ask(address: str, secret: str, query: str) -> Any:
    """One question over a connection of its own: any of the processes may answer."""
    client = Shop(address, secret)
    try:
        return client.ask(query)
    finally:
        client.close()


def _ended(db: Database, id: str) -> PlanJob:
    until = time.monotonic() + 90
    while time.monotonic() < until:
        with db.reading() as session:
            row = session.get(PlanJob, id)
        assert row is not None
        if row.state is not JobState.RUNNING:
            return row
        time.sleep(0.2)
    raise AssertionError("The job did not end")


def _told(db: Database, id: str) -> None:
    """Returns once whoever carries the job out has said something of it."""
    until = time.monotonic() + 90
    while time.monotonic() < until:
        with db.reading() as session:
            row = session.get(PlanJob, id)
        assert row is not None
        if row.told_at > row.started_at:
            return
        time.sleep(0.2)
    raise AssertionError("Nobody carries the job out")


def test_a_plan_asked_of_one_server_is_stopped_by_another_and_stores_its_best(
    postgres_db: Database,
) -> None:
    """A server here and one in another process, each with a port of its own."""
    secret = _with_demand(postgres_db)
    with _processes(postgres_db, 1) as (other, _), serving(postgres_db) as here:
        started = _ask(here, secret, LONG)
        assert started["state"] == "RUNNING"
        _told(postgres_db, started["id"])
        busy = f'mutation {{ planPropagation(key: "b", weeks: 20, seconds: 600) {JOB} }}'
        assert _ask(other, secret, busy)["code"] == "JOB_RUNNING"
        cancel = f'mutation {{ cancelJob(id: "{started["id"]}", keepBest: true) {JOB} }}'
        assert _ask(other, secret, cancel)["id"] == started["id"]
        row = _ended(postgres_db, started["id"])
    assert row.state is JobState.DONE
    with postgres_db.reading() as session:
        assert len(session.exec(select(PlanVersion)).all()) == 1


def test_several_workers_on_one_port_answer_for_one_another(postgres_db: Database) -> None:
    """Ten connections find the plan that one of two processes was asked for, and give it up."""
    secret = _with_demand(postgres_db)
    with _processes(postgres_db, 2) as (address, _):
        started = _ask(address, secret, LONG)
        assert started["state"] == "RUNNING"
        _told(postgres_db, started["id"])
        busy = [
            _ask(address, secret, LONG.replace("long", f"other {n}"))["code"] for n in range(10)
        ]
        assert busy == ["JOB_RUNNING"] * 10
        cancel = f'mutation {{ cancelJob(id: "{started["id"]}", keepBest: false) {JOB} }}'
        answers = [_ask(address, secret, cancel) for _ in range(10)]
    assert {answer["state"] for answer in answers} == {"CANCELLED"}
    with postgres_db.reading() as session:
        assert session.exec(select(PlanVersion)).all() == []


def test_a_plan_whose_server_is_gone_is_said_to_be_cut_off(either_db: Database) -> None:
    """A row as a server leaves it that was killed a minute ago; another plan may then be made."""
    secret = _with_demand(either_db)
    with either_db.writing() as session:
        gone = clock(session) - timedelta(minutes=1)
        session.add(
            PlanJob(
                id="0" * 32,
                kind=JobKind.PROPAGATION,
                arguments="{}",
                started_at=gone,
                told_at=gone,
            )
        )
    with serving(either_db) as address:
        cancel = f'mutation {{ cancelJob(id: "{"0" * 32}") {JOB} }}'
        found = _ask(address, secret, cancel)
        assert (found["state"], found["refusal"]["code"]) == ("FAILED", "CUT_OFF")
        short = LONG.replace("600", "1")
        started = _ask(address, secret, short)
        assert _ended(either_db, started["id"]).state is JobState.DONE


def test_several_processes_on_sqlite_are_refused_in_a_sentence(db: Database) -> None:
    with pytest.raises(Fault, match="must be 1 with SQLite"):
        serve_many(db, "127.0.0.1", 8020, 2)
    assert "NURSERY_DATABASE" not in os.environ
