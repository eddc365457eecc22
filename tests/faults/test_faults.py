"""The faults, briefly: `python -m tests.faults` plays them as long as wished."""

from pathlib import Path

import pytest

from tests.faults.jobs import jobs_killed
from tests.faults.killing import kill_rounds
from tests.faults.news import news_arrive


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


@pytest.mark.parametrize("database", ["sqlite", "postgres"])
def test_a_plan_whose_server_is_killed_is_cut_off_and_leaves_nothing(
    database: str, tmp_path: Path
) -> None:
    left = jobs_killed(database, tmp_path, kills=1, patient=False)
    assert left.ends == {"FAILED CUT_OFF": 1}
    assert left.holds, left


def test_news_of_promises_outlives_kill_9_of_its_sender_and_a_receiver_that_is_away(
    tmp_path: Path,
) -> None:
    told = news_arrive("sqlite", tmp_path, rounds=2, patient=False, clients=2)
    assert told.figures["faults"] == {"server": 1, "receiver": 1}
    assert told.found == told.acknowledged > 0
    assert told.holds, told
