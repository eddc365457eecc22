"""The faults, briefly: `python -m tests.faults` plays them as long as wished."""

from pathlib import Path

from tests.faults.killing import kill_rounds


def test_promises_outlive_kill_9_of_their_servers_on_sqlite(tmp_path: Path) -> None:
    killed = kill_rounds("sqlite", tmp_path, kills=3, clients=2, every=1)
    assert killed.rounds == {"worker": 2, "server": 1, "database": 0}
    assert killed.verdict.acknowledged > 0
    assert killed.verdict.holds, killed.verdict


def test_promises_outlive_kill_9_of_their_servers_and_of_postgresql(tmp_path: Path) -> None:
    killed = kill_rounds("postgres", tmp_path, kills=4, clients=2, every=2)
    assert killed.rounds == {"worker": 2, "server": 1, "database": 1}
    assert killed.verdict.acknowledged > 0
    assert killed.verdict.holds, killed.verdict
