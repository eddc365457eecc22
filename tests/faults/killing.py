"""kill -9, again and again, in the middle of reservations and confirms."""

from __future__ import annotations

import random
import time
from dataclasses import dataclass
from pathlib import Path

from nursery.checking import check_database
from tests.faults.judging import Verdict
from tests.faults.scene import Scene, scene


@dataclass(frozen=True, slots=True)
class Killed:
    """So many kills of each kind, and what was left after them."""

    rounds: dict[str, int]
    processes: int
    answers: int
    refused: dict[str, int]
    sent_again: int
    checks: int
    seconds: float
    verdict: Verdict


def kill_rounds(
    database: str,
    folder: Path,
    kills: int,
    clients: int = 4,
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
    with scene(database, folder, clients) as at:
        at.until_answers(clients)
        for number in range(kills):
            if time.monotonic() - began > seconds:
                break
            kind = _kind(database, number)
            processes += _kill(at, kind, chance)
            rounds[kind] += 1
            if (number + 1) % every == 0:
                _check(at, number)
                checks += 1
            at.until_answers(1 + chance.randrange(2 * clients))
            time.sleep(chance.random() * 0.02)
        verdict = at.judged()
        shops = at.shops
    refused: dict[str, int] = {}
    for shop in shops:
        for code, many in shop.told.refused.items():
            refused[code] = refused.get(code, 0) + many
    return Killed(
        rounds=rounds,
        processes=processes,
        answers=sum(shop.told.answers for shop in shops),
        refused=refused,
        sent_again=sum(shop.told.sent_again for shop in shops),
        checks=checks + 1,
        seconds=round(time.monotonic() - began, 1),
        verdict=verdict,
    )


def _kind(database: str, number: int) -> str:
    kinds = ("worker", "server", "worker", "database" if database == "postgres" else "server")
    return kinds[number % len(kinds)]


def _kill(at: Scene, kind: str, chance: random.Random) -> int:
    """Kills, starts again at once, and says how many processes of ours it was."""
    if kind == "database":
        assert at.postgres is not None
        at.postgres.kill()
        at.postgres.start()
        return 1
    places = range(len(at.servers.ports))
    victims = [chance.choice(places)] if kind == "worker" else list(places)
    for place in victims:
        at.servers.kill(place)
    for place in victims:
        at.servers.start(place)
    return len(victims)


def _check(at: Scene, number: int) -> None:
    found = check_database(at.address)
    if found.faults:
        lines = "; ".join(fault.line() for fault in found.faults[:5])
        raise RuntimeError(f"after kill {number + 1}: {lines}")
