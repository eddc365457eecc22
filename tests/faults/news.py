"""Does every piece of news arrive, whatever is killed meanwhile? Webhooks to a real receiver."""

from __future__ import annotations

import base64
import random
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from sqlalchemy import text

from nursery.checking.snapshot import snapshot
from nursery.database import open_database
from nursery.telling.receivers import USUAL, add_receiver
from tests.faults.judging import Verdict
from tests.faults.scene import Scene, scene
from tests.webhook_receiver import Ear, Heard

_PATIENCE_SECONDS = 400.0
_LEASES_SECONDS = 75.0
"""Every lease of a killed sender has run out by then; the waits between tries may be longer."""
_DOWN_SECONDS = 1.0
_REFUSED = 0.03
"""The share of what it has read that the receiver answers with 503."""
_KINDS = ", ".join(f"'{kind.value}'" for kind in USUAL)
_EVENTS = "SELECT id FROM promise_event WHERE id > {after} AND kind IN (" + _KINDS + ")"
_OPEN = """
SELECT (SELECT COUNT(*) FROM delivery WHERE state = 'waiting')
    + (SELECT COUNT(*) FROM promise_event WHERE told_at IS NULL)"""

_LEFT = "SELECT event_id, tries, next_try_at, leased_until, last_answer FROM delivery" + (
    " WHERE state = 'waiting'"
)


@dataclass
class _Listener:
    """A shop's receiver: what it heard so far, and how many requests it has at hand just now."""

    chance: random.Random
    heard: list[Heard] = field(default_factory=list)
    busy: int = 0
    port: int = 0

    @contextmanager
    def open(self) -> Iterator[None]:
        """It listens, always on the same port, for as long as the block lasts."""
        ear = Ear(self.port)
        ear.heard, ear.answer = self.heard, self._answer
        with ear.open():
            self.port = ear.port
            yield

    def _answer(self, heard: Heard) -> tuple[int, dict[str, str]]:
        self.busy += 1
        time.sleep(0.03 * self.chance.random())
        self.busy -= 1
        return (503 if self.chance.random() < _REFUSED else 204), {}


def news(database: str, folder: Path) -> Verdict:
    """Servers are killed while they send, the receiver is away, the database killed: 18 times."""
    return news_arrive(database, folder, rounds=18, patient=True)


def news_arrive(
    database: str, folder: Path, rounds: int, patient: bool, clients: int = 3, seed: int = 1
) -> Verdict:
    """What became of the news of promises, after so many faults of each kind by turns?

    `acknowledged` are the events that had to be told, `found` those that the receiver heard;
    `doubled` those that it heard under two ids, or otherwise than before. At the end what
    still waits for its next try is put back to now; unless `patient`, so are leases, at once.
    Raises RuntimeError where something is still on its way after a long time.
    """
    chance = random.Random(seed)
    listener = _Listener(random.Random(seed + 1))
    faults: Counter[str] = Counter()
    with scene(database, folder, clients) as at:
        with listener.open():
            after = _add(at.address, listener.port)
        for number in range(rounds):
            kind = _kinds(database)[number % len(_kinds(database))]
            if kind == "receiver":
                at.until_answers(2 * clients)
                time.sleep(_DOWN_SECONDS)
            else:
                with listener.open():
                    at.until_answers(2 * clients)
                    _kill(at, kind, listener, chance)
            faults[kind] += 1
        with listener.open():
            at.rest()
            _until_all_is_told(at.address, patient)
        return _verdict(at.judged(), at.address, after, listener.heard, faults)


def _kinds(database: str) -> tuple[str, ...]:
    kinds = ("server", "receiver", "servers")
    return (*kinds, "database") if database == "postgres" else kinds


def _add(address: str, port: int) -> int:
    """A receiver of the usual news; the id of the last event before it."""
    db = open_database(address)
    with db.writing() as session:
        add_receiver(session, "shop", f"http://127.0.0.1:{port}/news", "Lea")
        last = session.connection().execute(text("SELECT MAX(id) FROM promise_event")).scalar()
    db.close()
    return int(last or 0)


def _kill(at: Scene, kind: str, listener: _Listener, chance: random.Random) -> None:
    """While the receiver has something at hand, which the killed then never hears it say."""
    until = time.monotonic() + _PATIENCE_SECONDS
    while not listener.busy:
        if time.monotonic() > until:
            raise RuntimeError("nothing was sent")
        time.sleep(0.001)
    if kind == "database":
        assert at.postgres is not None
        at.postgres.kill()
        at.postgres.start()
        return
    all_of_them = range(len(at.servers.ports))
    for place in [chance.choice(all_of_them)] if kind == "server" else all_of_them:
        at.servers.kill(place)
        at.servers.start(place)


def _until_all_is_told(address: str, patient: bool) -> None:
    began = time.monotonic()
    while True:
        with snapshot(address) as books:
            ((left,),) = books.rows(_OPEN)
            rows = list(books.rows(_LEFT))
        if not left:
            return
        waited = time.monotonic() - began
        if waited > _PATIENCE_SECONDS:
            raise RuntimeError(f"{left} events are still on their way: {rows[:5]}")
        if not patient or waited > _LEASES_SECONDS:
            _put_back(address)
        time.sleep(0.3)


def _put_back(address: str) -> None:
    db = open_database(address)
    past = "'2020-01-01 00:00:00.000000'" + ("" if db.is_sqlite else "::timestamp")
    with db.writing() as session:
        session.connection().execute(
            text(
                f"UPDATE delivery SET next_try_at = {past}, leased_until = NULL"
                " WHERE state = 'waiting' AND tries > 0"
            )
        )
    db.close()


def _verdict(
    books: Verdict, address: str, after: int, heard: list[Heard], faults: Counter[str]
) -> Verdict:
    with snapshot(address) as rows:
        wanted = {int(id) for (id,) in rows.rows(_EVENTS.format(after=after))}
    ids: dict[int, set[str]] = {}
    bodies: dict[str, set[bytes]] = {}
    for each in heard:
        ids.setdefault(_number(each.event["data"]["id"]), set()).add(each.id)
        bodies.setdefault(each.id, set()).add(each.body)
    lost = tuple(f"event {id} was never heard" for id in sorted(wanted - set(ids)))
    twice = [f"event {id} came under {len(them)} ids" for id, them in ids.items() if len(them) > 1]
    other = [f"{id} came with two bodies" for id, them in bodies.items() if len(them) > 1]
    return replace(
        books,
        acknowledged=len(wanted),
        found=len(wanted & set(ids)),
        lost=(*books.lost, *lost),
        doubled=(*books.doubled, *twice, *other),
        figures={
            "faults": dict(faults),
            "requests": len(heard),
            "sent_again_under_the_same_id": len(heard) - len(bodies),
        },
    )


def _number(id: str) -> int:
    return int(base64.b64decode(id).decode().partition(":")[2])
