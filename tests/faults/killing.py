"""kill -9, again and again, in the middle of reservations and confirms."""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from nursery.checking import check_database
from tests.faults.judging import Verdict
from tests.faults.scene import Scene, scene
from tests.faults.shops import Shop

_WRITES = frozenset({"reserve", "confirm"})
_A_MOMENT = 0.004
"""Seconds within which a reservation or a confirm is on its way to the disk."""
_PATIENCE_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class Killed:
    """So many kills of each kind, and what was left after them."""

    rounds: dict[str, int]
    processes: int
    answers: int
    by_kind: dict[str, dict[str, int]]
    """Action to "granted" or the refusal's code to how often."""
    under_way: dict[str, int]
    """Action to how many such requests the killed processes had not answered, over all kills."""
    under_way_least: int
    under_way_most: int
    sent_again: int
    troubles: dict[str, int]
    """What a server said where it could not do it now, to how often."""
    checks: int
    seconds: float
    verdict: Verdict


def kill_rounds(
    database: str,
    folder: Path,
    kills: int,
    clients: int = 6,
    every: int = 25,
    seed: int = 1,
    seconds: float = float("inf"),
) -> Killed:
    """What is left of the promises after so many kills? The books are checked every few kills too.

    No kill is begun after so many seconds.
    Raises RuntimeError at the first check that finds a fault while the shops are still asking.
    """
    chance, began = random.Random(seed), time.monotonic()
    rounds: dict[str, int] = {"worker": 0, "server": 0, "database": 0}
    processes = checks = 0
    hit: list[Counter[str]] = []
    with scene(database, folder, clients) as at:
        at.until_answers(clients)
        for number in range(kills):
            if time.monotonic() - began > seconds:
                break
            kind = _kind(database, number)
            victims = _victims(at, kind, chance)
            hit.append(_kill(at, victims))
            processes += max(1, len(victims))
            rounds[kind] += 1
            if (number + 1) % every == 0:
                _check(at, number)
                checks += 1
            at.until_answers(1 + chance.randrange(2 * clients))
            time.sleep(chance.random() * 0.02)
        verdict = at.judged()
        shops = at.shops
    at_a_kill = [each.total() for each in hit]
    return Killed(
        rounds=rounds,
        processes=processes,
        answers=sum(shop.told.answers for shop in shops),
        by_kind=_by_kind(shops),
        under_way=dict(sum(hit, Counter())),
        under_way_least=min(at_a_kill, default=0),
        under_way_most=max(at_a_kill, default=0),
        sent_again=sum(shop.told.sent_again for shop in shops),
        troubles=dict(sum((shop.told.troubles for shop in shops), Counter())),
        checks=checks + 1,
        seconds=round(time.monotonic() - began, 1),
        verdict=verdict,
    )


def _kind(database: str, number: int) -> str:
    kinds = ("worker", "server", "worker", "database" if database == "postgres" else "server")
    return kinds[number % len(kinds)]


def _victims(at: Scene, kind: str, chance: random.Random) -> list[int]:
    """Which servers are killed? None where it is the database.

    Waits until the victims have a reservation or a confirm at hand, and then a moment more.
    """
    until = time.monotonic() + _PATIENCE_SECONDS
    while True:
        busy = {at.servers.ports.index(port) for action, port in at.asking() if action in _WRITES}
        if busy:
            break
        if time.monotonic() > until:
            raise RuntimeError("no reservation and no confirm was under way for a minute")
        time.sleep(0.0005)
    time.sleep(chance.random() * _A_MOMENT)
    if kind == "database":
        return []
    return [chance.choice(sorted(busy))] if kind == "worker" else list(range(len(at.servers.ports)))


def _kill(at: Scene, victims: list[int]) -> Counter[str]:
    """Kills these servers, or the database where there are none, and starts them again at once.

    Says which requests were under way there in the moment before.
    """
    ports = {at.servers.ports[place] for place in victims} or set(at.servers.ports)
    under_way = Counter(action for action, port in at.asking() if port in ports)
    if not victims:
        assert at.postgres is not None
        at.postgres.kill()
        at.postgres.start()
    for place in victims:
        at.servers.kill(place)
    for place in victims:
        at.servers.start(place)
    return under_way


def _by_kind(shops: Sequence[Shop]) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for (action, answer), many in sorted(
        sum((shop.told.by_kind for shop in shops), Counter()).items()
    ):
        found.setdefault(action, {})[answer] = many
    return found


def _check(at: Scene, number: int) -> None:
    found = check_database(at.address)
    if found.faults:
        lines = "; ".join(fault.line() for fault in found.faults[:5])
        raise RuntimeError(f"after kill {number + 1}: {lines}")
