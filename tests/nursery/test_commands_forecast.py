"""Forecasts and days decided by hand at the command line, as a person types."""

import json
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from sqlmodel import select

from nursery.cli import main
from nursery.database import Database
from nursery.weather import ForecastSource, Station
from tests.shop import MONDAY, mild_nursery
from tests.weather_service import Service

Types = Callable[..., tuple[int, str]]


@pytest.fixture
def types(
    db: Database,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Types:
    """What does a command answer: exit status, and all that is shown, in single spaces?"""
    with db.writing() as session:
        mild_nursery(session)
    monkeypatch.setenv("NURSERY_DATABASE", str(tmp_path / "nursery.sqlite"))
    monkeypatch.setenv("COLUMNS", "200")

    def typed(*words: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["nursery", "forecast", *words])
        try:
            main()
            status = 0
        except SystemExit as ended:
            status = int(ended.code or 0)
        shown = capsys.readouterr()
        return status, " ".join((shown.out + shown.err).split())

    return typed


def test_a_lead_loads_a_file_sees_how_forecasts_stand_and_is_asked_for_the_unit(
    types: Types, tmp_path: Path
) -> None:
    file = tmp_path / "week.csv"
    file.write_text(f"Station,Day,Minimum,Maximum\nHome,{MONDAY},41,50\n")
    assert "climate" in types("show")[1]
    status, said = types("load", str(file))
    assert status == 2 and "degrees Fahrenheit?" in said
    assert types("load", str(file), "--unit", "F") == (
        0,
        f"Home: 1 days from {MONDAY} to {MONDAY}.",
    )
    (station,) = json.loads(types("show", "--json")[1])["stations"]
    assert (station["judged_by"], station["last_day"]) == ("forecast", str(MONDAY))


def test_a_lead_decides_a_day_by_hand_and_takes_it_back(types: Types) -> None:
    day = str(MONDAY + timedelta(days=8))
    status, said = types("close", day, "--to", "Low land", "--by", "Lea", "--reason", "storm")
    assert status == 0 and "decision 1" in said
    assert f"closed by hand ({day}, Low land) by Lea: storm" in types("show")[1]
    assert types("withdraw", "1") == (0, "Decision 1 is withdrawn.")
    assert types("withdraw", "1")[0] == 2
    assert "Days decided by hand" not in types("show")[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("open", "tomorrow", "--by", "Lea", "--reason", "x"), "must be a date such as"),
        (("open", "2027-03-09", "--by", "Lea", "--reason", " "), "needs a reason"),
        (("open", "2027-03-09", "--by", "Lea", "--reason", "x", "--to", "Atlantis"), "known are:"),
        (("close", "2026-03-09", "--by", "Lea", "--reason", "x"), "must not have passed"),
        (("load", "none.csv"), "File: must exist"),
        (("load", "none.csv", "--unit", "K"), "must be C or F"),
        (("load", "none.csv", "--issued", "noon"), "must be a date and time"),
    ],
)
def test_what_is_typed_wrongly_is_said_in_one_sentence(
    types: Types, words: tuple[str, ...], said: str
) -> None:
    status, shown = types(*words)
    assert status == 2 and said in shown


def test_fetching_ends_with_status_1_where_an_answer_is_wrong(types: Types, db: Database) -> None:
    assert types("pull") == (
        0,
        "No station has an address: fill in the sheet Forecast sources (`nursery export`).",
    )
    with Service().open() as service:
        service.answers = [
            (200, b"<html>"),
            (200, json.dumps([{"on": str(MONDAY), "least": 3, "most": 9}]).encode()),
        ]
        with db.writing() as session:
            home = session.exec(select(Station)).one()
            session.add(
                ForecastSource(
                    station_id=home.id or 0,
                    address=service.address,
                    day_field="on",
                    min_field="least",
                    max_field="most",
                )
            )
        status, said = types("pull")
        assert status == 1 and "must be JSON" in said
        assert "must be JSON" in types("show")[1]
        assert types("pull") == (0, "Home: 1 days.")
    assert "Too few days" in types("errors")[1]
