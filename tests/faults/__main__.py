"""`python -m tests.faults`: the table of kills, and the other faults."""

import argparse
import json
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.faults.judging import Verdict
from tests.faults.killing import Killed, kill_rounds
from tests.faults.others import OTHERS
from tests.postgres import NoSmallDisk


def main() -> None:
    """Plays the faults and prints one JSON line each, a table, and the summary line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--database", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--clients", type=int, default=6)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="for the kills")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only-kills", action="store_true")
    parser.add_argument("--only", choices=sorted(OTHERS), help="of the other faults only this one")
    asked = parser.parse_args()
    verdicts: dict[str, Verdict] = {}
    not_run: dict[str, str] = {}
    with tempfile.TemporaryDirectory(prefix="nursery-faults-") as folder:
        killed = kill_rounds(
            asked.database,
            Path(folder),
            asked.kills,
            asked.clients,
            seed=asked.seed,
            seconds=asked.seconds,
        )
    verdicts["kill -9"] = killed.verdict
    print(json.dumps({"fault": "kill -9", "database": asked.database, **_line(killed)}), flush=True)
    for name, (databases, fault) in OTHERS.items():
        if asked.only_kills or asked.database not in databases or asked.only not in (None, name):
            continue
        with tempfile.TemporaryDirectory(prefix="nursery-faults-") as folder:
            try:
                verdicts[name] = fault(asked.database, Path(folder))
            except NoSmallDisk as cannot:
                not_run[name] = str(cannot)
                print(json.dumps({"fault": name, "not_run": str(cannot)}), flush=True)
                continue
        print(json.dumps({"fault": name, **_short(verdicts[name])}), flush=True)
    _table(killed, verdicts)
    for name, why in not_run.items():
        print(f"{name:24}NOT RUN: {why}")
    print(json.dumps({**_summary(asked.database, killed, verdicts), "not_run": list(not_run)}))


def _line(killed: Killed) -> dict[str, Any]:
    return {**asdict(killed), "verdict": _short(killed.verdict)}


def _short(verdict: Verdict) -> dict[str, Any]:
    named = ("lost", "doubled", "other_answers", "faults")
    return {
        "acknowledged": verdict.acknowledged,
        "found": verdict.found,
        "oversold": verdict.oversold,
        "ledger_difference": verdict.ledger_difference,
        "holds": verdict.holds,
        **{name: list(getattr(verdict, name))[:5] for name in named if getattr(verdict, name)},
        **verdict.figures,
    }


def _table(killed: Killed, verdicts: dict[str, Verdict]) -> None:
    for action, answers in killed.by_kind.items():
        of_all = sum(answers.values())
        shares = ", ".join(f"{what} {100 * n / of_all:.1f} %" for what, n in answers.items())
        print(f"{action:24}{of_all:>8} answers: {shares}")
    shares = ", ".join(f"{action} {n}" for action, n in killed.under_way.items())
    kills = max(1, sum(killed.rounds.values()))
    print(
        f"{'under way when killed':24}{sum(killed.under_way.values()):>8} calls: {shares};"
        f" {sum(killed.under_way.values()) / kills:.1f} a kill,"
        f" from {killed.under_way_least} to {killed.under_way_most}"
    )
    print(f"{'':24}{'times':>8}{'told':>8}{'found':>8}{'oversold':>10}{'ledger':>8}  holds")
    for name, verdict in verdicts.items():
        times = sum(killed.rounds.values()) if name == "kill -9" else 1
        print(
            f"{name:24}{times:>8}{verdict.acknowledged:>8}{verdict.found:>8}"
            f"{verdict.oversold:>10}{verdict.ledger_difference:>8}"
            f"  {'yes' if verdict.holds else 'NO'}"
        )
        if (again := verdict.figures.get("sent_again_under_the_same_id")) is not None:
            print(f"{'  sent again, same id':24}{'':>8}{verdict.figures['requests']:>8}{again:>8}")


def _summary(database: str, killed: Killed, verdicts: dict[str, Verdict]) -> dict[str, Any]:
    kills = sum(killed.rounds.values())
    return {
        "kills": kills,
        "database": database,
        "acknowledged": sum(one.acknowledged for one in verdicts.values()),
        "lost": sum(len(one.lost) for one in verdicts.values()),
        "oversold": sum(one.oversold for one in verdicts.values()),
        "ledger_difference": sum(one.ledger_difference for one in verdicts.values()),
        "holds": all(one.holds for one in verdicts.values()),
        "answers": killed.answers,
        "by_kind": killed.by_kind,
        "under_way": killed.under_way,
        "seconds_a_kill": round(killed.seconds / max(1, kills), 3),
    }


if __name__ == "__main__":
    main()
