"""`nursery backup` while shops reserve and confirm; every copy is restored and compared."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from nursery.commands.backup import take_back, take_backup
from tests.faults.judging import Verdict, judge_copy
from tests.faults.scene import Scene, scene
from tests.postgres import new_database

_TIMES = 5


def backups(database: str, folder: Path) -> Verdict:
    """Is every promise that was acknowledged before a backup began in it, and do its books hold?

    The verdict is the sum over the copies, and of the nursery itself afterwards.
    """
    found: list[Verdict] = []
    lines: list[dict[str, Any]] = []
    with scene(database, folder) as at, _programs(at):
        at.until_answers(400)
        for number in range(_TIMES):
            at.until_answers(60)
            known = {
                promise: told
                for shop in at.shops
                for promise, told in shop.told.promises.copy().items()
            }
            answers, began = at.answers, time.monotonic()
            file = folder / f"{number}.backup"
            held = take_backup(at.address, file)
            seconds, meanwhile = time.monotonic() - began, at.answers - answers
            back = _another(at, folder, number)
            restored = take_back(back, file, overwrite=False)
            found.append(judge_copy(back, known))
            lines.append(
                {
                    "known": len(known),
                    "found": found[-1].found,
                    "rows": held.rows,
                    "as_the_backup_said": restored == held,
                    "answers_meanwhile": meanwhile,
                    "seconds": round(seconds, 2),
                }
            )
        found.append(at.judged())
    differ = tuple("a copy differs" for line in lines if not line["as_the_backup_said"])
    return _sum(found, differ, {"backups": lines})


def _another(at: Scene, folder: Path, number: int) -> str:
    if at.postgres is None:
        return f"sqlite:///{folder / f'back-{number}.sqlite'}"
    return new_database(at.address)


@contextmanager
def _programs(at: Scene) -> Iterator[None]:
    """The server's own pg_dump and pg_restore come first while the block lasts."""
    before = os.environ["PATH"]
    if at.postgres is not None:
        os.environ["PATH"] = f"{at.postgres.programs}{os.pathsep}{before}"
    try:
        yield
    finally:
        os.environ["PATH"] = before


def _sum(found: list[Verdict], more: tuple[str, ...], figures: dict[str, Any]) -> Verdict:
    return Verdict(
        acknowledged=sum(one.acknowledged for one in found),
        found=sum(one.found for one in found),
        lost=tuple(line for one in found for line in one.lost),
        doubled=tuple(line for one in found for line in one.doubled),
        other_answers=tuple(line for one in found for line in one.other_answers),
        oversold=sum(one.oversold for one in found),
        ledger_difference=sum(one.ledger_difference for one in found),
        faults=more + tuple(line for one in found for line in one.faults),
        figures=figures,
    )
