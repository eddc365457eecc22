"""Writers in processes of their own, who all want the same plugs at the same moment."""

import multiprocessing
from collections.abc import Sequence
from datetime import date
from multiprocessing.synchronize import Barrier
from typing import Any

from nursery.database import open_database
from nursery.errors import Refused
from nursery.promising.idempotent import once
from nursery.promising.promise import amend, cancel, confirm, reserve
from tests.shop import HERE, caltha

Job = tuple[str, ...]
WRITERS = 3


class Racers:
    """Three writers that wait for jobs; they are started once, since a process is slow to start.

    `with Racers() as racers: racers.race(address, [jobs, jobs, jobs])`
    """

    def __enter__(self) -> "Racers":
        spawn = multiprocessing.get_context("spawn")
        self.start = spawn.Barrier(WRITERS)  # kept: it is gone when nobody here holds it
        self.answers = spawn.Queue()
        self.jobs = [spawn.Queue() for _ in range(WRITERS)]
        self.writers = [
            spawn.Process(target=_write, args=(i, jobs, self.start, self.answers), daemon=True)
            for i, jobs in enumerate(self.jobs)
        ]
        for writer in self.writers:
            writer.start()
        return self

    def __exit__(self, *wrong: object) -> None:
        for jobs in self.jobs:
            jobs.put(None)
        for writer in self.writers:
            writer.join(timeout=120)
        assert [writer.exitcode for writer in self.writers] == [0] * WRITERS

    def race(self, address: str, jobs: Sequence[Sequence[Job]]) -> list[list[str]]:
        """What was each writer told, job by job, when all begin at once?

        A job is ("reserve", reference, quantity, day), ("confirm" | "cancel", promise id),
        ("amend", promise id, quantity) or ("once", key, reference, quantity, day). The answer is
        the promise's id, or the code of the refusal. Writers without jobs do nothing.
        """
        for i, queue in enumerate(self.jobs):
            queue.put((address, list(jobs[i]) if i < len(jobs) else []))
        told = dict(self.answers.get(timeout=60) for _ in self.writers)
        return [told[i] for i in range(len(jobs))]


def _write(number: int, jobs: Any, start: Barrier, answers: Any) -> None:
    while (given := jobs.get(timeout=300)) is not None:
        address, mine = given
        db = open_database(address)
        with db.reading() as session:
            session.connection()
        start.wait(timeout=60)
        answers.put((number, [_told(db, job) for job in mine]))
        db.close()


def _told(db: Any, job: Job) -> str:
    try:
        return _done(db, job)
    except Refused as refused:
        return refused.refusal.code


def _done(db: Any, job: Job) -> str:
    what, *rest = job
    if what == "once":
        key, *wish = rest
        answer = once(
            db, 1, key, {"wish": wish}, lambda session: {"id": _act(session, "reserve", wish)}
        )
        return str(answer.get("id") or answer["refusal"]["code"])
    with db.writing() as session:
        return _act(session, what, rest)


def _act(session: Any, what: str, rest: Sequence[str]) -> str:
    if what == "reserve":
        reference, quantity, day = rest
        ship_on = date.fromisoformat(day)
        return str(
            reserve(session, reference, caltha(int(quantity)), HERE, ship_on, "Van", "shop").id
        )
    if what == "amend":
        return str(amend(session, int(rest[0]), "shop", basket=caltha(int(rest[1]))).id)
    return str({"confirm": confirm, "cancel": cancel}[what](session, int(rest[0]), "shop").id)
