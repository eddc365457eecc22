"""The day book, warnings, comparison, watering and claims at the command line, as a person types.

Through the command line's own `main`, so that exit statuses and sentences
are those that people see.
"""

import json
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlmodel import select

from nursery.cli import main
from nursery.database import Database
from nursery.order import PromiseLine
from nursery.planning.propagation import plan_propagation
from nursery.promising.promise import confirm, reserve
from nursery.shed.handover import hand_over, pack_parcel
from nursery.shed.picking import record_pick
from nursery.stock import Lot
from nursery.week import day_book
from solver.run import Limits
from tests.builders import crop_named, ready_lot
from tests.shop import HERE, caltha, mild_nursery

MONDAY = date(2027, 3, 1)
CALTHA = "Caltha palustris"


class Terminal:
    """What a person types, and what the screen shows."""

    def __init__(
        self,
        address: str | Path,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        self._monkeypatch, self._capsys = monkeypatch, capsys
        monkeypatch.setenv("NURSERY_DATABASE", str(address))
        monkeypatch.setenv("NURSERY_PERSON", "Ada")

    def types(self, *words: str) -> tuple[int, str]:
        """Exit status, and all that is shown, in one line of single spaces."""
        self._monkeypatch.setattr(sys, "argv", ["nursery", *words])
        try:
            main()
            status = 0
        except SystemExit as ended:
            status = int(ended.code or 0)
        shown = self._capsys.readouterr()
        return status, " ".join((shown.out + shown.err).split())

    def says(self, *words: str) -> str:
        """What is shown by a command that works."""
        status, shown = self.types(*words)
        assert status == 0, shown
        return shown

    def refuses(self, *words: str) -> str:
        """What is shown by a command that cannot be carried out: exit status 2."""
        status, shown = self.types(*words)
        assert status == 2, shown
        return shown

    def data(self, *words: str) -> object:
        """What a program reads."""
        self._monkeypatch.setattr(sys, "argv", ["nursery", *words, "--json"])
        with pytest.raises(SystemExit) as ended:
            main()
        assert not ended.value.code
        return json.loads(self._capsys.readouterr().out)


@pytest.fixture
def terminal(
    db: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Terminal:
    """A nursery with one ready lot and one young batch that has to move."""
    return _terminal(db, monkeypatch, capsys)


@pytest.fixture
def either_terminal(
    either_db: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Terminal:
    """The same on SQLite, then on PostgreSQL."""
    return _terminal(either_db, monkeypatch, capsys)


def _terminal(
    db: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Terminal:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 60, MONDAY, MONDAY + timedelta(days=60), "OLD")
        batch = day_book.start(session, crop.protocols[0], 2, "Ada", code="NEW").result
        batch.started_on = batch.stage_entered_on = MONDAY - timedelta(days=22)
    return Terminal(db.address, monkeypatch, capsys)


def test_a_line_is_done_by_its_key_shown_in_the_day_book_and_undone(
    either_terminal: Terminal,
) -> None:
    assert "[ ] M2.2" in either_terminal.says("week")
    done = either_terminal.says("done", "m2.2", "--minutes", "15")
    assert done.startswith("M2.2 NEW moved 2 trays (grow on, Long house 1); entry 2.")
    assert "was done on 2027-03-01 by Ada" in either_terminal.refuses("done", "M2.2")
    assert "M2.2 moved NEW Caltha palustris 2 Ada 15" in either_terminal.says("day")
    assert either_terminal.says("undo", "--reason", "the other batch") == (
        "Entry 3 takes back entry 2 (moved NEW), by Ada."
    )
    assert "taken back" in either_terminal.says("day")
    book = either_terminal.data("day")
    assert isinstance(book, list)
    assert [entry["undone"] for entry in book] == [False, True, False]


def test_work_that_is_on_no_sheet_is_typed_with_its_batch(either_terminal: Terminal) -> None:
    assert "2027-W09-01 started 208 plugs" in either_terminal.says("start", CALTHA, "division", "2")
    assert "NEW moved" in either_terminal.says("move", "NEW", "--bench", "Long house 1")
    assert "NEW set aside as ready 50 plugs" in either_terminal.says("ready", "NEW", "50")
    assert "NEW sold at the gate 6 plugs" in either_terminal.says(
        "sell", "NEW", "6", "--lot", str(MONDAY)
    )
    assert "NEW potted on 4 plugs" in either_terminal.says(
        "pot-on", "NEW", "4", "--lot", str(MONDAY)
    )
    planted = either_terminal.says("plant-out", "NEW", "3", "--where", "stream bed")
    assert "NEW planted out 3 plugs" in planted
    assert "NEW discarded 2 plugs" in either_terminal.says(
        "discard", "NEW", "2", "--reason", "slugs"
    )
    story = either_terminal.says("trace", "NEW")
    assert "NEW moved to 'grow on' 2 trays, by Ada" in story
    assert "-2 discarded, growing plugs, by Ada (slugs)" in story


def test_a_veto_at_the_command_line_ends_only_by_a_signature(either_terminal: Terminal) -> None:
    given = ("--kind", "inspection", "--reason", "spots", "--set-by", "Inspector Li")
    assert "OLD veto set" in either_terminal.says("veto", "OLD", *given)
    assert "authorised person signs it off" in either_terminal.refuses("undo")
    assert "under a veto" in either_terminal.refuses("move", "OLD")
    signed = ("--signed-by", "Inspector Li", "--note", "clear")
    assert "OLD veto signed off" in either_terminal.says("sign-off", "OLD", *signed)
    assert "must have one such veto" in either_terminal.refuses("sign-off", "OLD", *signed)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("done", "M2.2", "X1", "--minutes", "9"), "numbers are of one line alone"),
        (("done", "X1"), "its lines are: M2.2"),
        (("move", "NEU"), "did you mean NEW?"),
        (("move", "NEW", "--bench", "Long hose 1"), "there are: Frames 1, Long house 1"),
        (("sell", "OLD", "5"), "name it by --lot"),
        (("sell", "OLD", "5", "--lot", "2027-01-01"), "there are: 2027-03-01"),
        (("start", CALTHA, "seed", "2"), "there are: division"),
        (("undo", "77"), "has no entry 77"),
        (("compare", "1", "2"), "none has been made yet"),
        (("claim", "NO-1", "--kind", "dead", "--text", "x"), "must have been handed over"),
        (
            ("discard", "OLD", "61", "--lot", "2027-03-01", "--reason", "rot"),
            "has 60 plugs in the books",
        ),
        (("discard", "OLD", "6", "--lot", "2027-03-01"), "needs a reason"),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_exit_status_2(
    terminal: Terminal, words: tuple[str, ...], said: str
) -> None:
    assert said in terminal.refuses(*words)


@pytest.mark.parametrize("words", [("week",), ("init",), ("check",), ("backup", "copy.backup")])
@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("a letter.txt", "cannot be used (file is not a database)"),
        ("a folder", "Database: "),
        ("", "Database: "),
        ("postgresql://127.0.0.1:1/nursery", "Database: "),
    ],
)
def test_what_is_no_database_is_told_in_one_sentence(
    terminal: Terminal,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    address: str,
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a letter.txt").write_text("Dear grower, " * 99)
    Path("a folder").mkdir()
    shown = terminal.refuses(*words, "--database", address)
    assert said in shown and shown.count(";") == 1


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("check",), 0, "No fault: 2 batches"),
        (("week", "--database", "postgresql://127.0.0.1:1/x"), 2, "nursery[postgres]"),
    ],
)
def test_a_nursery_on_one_small_computer_needs_no_driver_of_postgresql(
    terminal: Terminal, words: tuple[str, ...], status: int, said: str
) -> None:
    """The driver is an extra: a program of its own finds none, as where it was not installed."""
    without = (
        "import sys; sys.modules['psycopg'] = sys.modules['procrastinate'] = None;"
        f"sys.argv = ['nursery', *{words!r}]; from nursery.cli import main; main()"
    )
    done = subprocess.run([sys.executable, "-c", without], capture_output=True, text=True)
    assert done.returncode == status, done.stderr
    assert said in done.stdout + done.stderr


def test_a_database_of_a_newer_program_is_left_as_it_is(terminal: Terminal, db: Database) -> None:
    with db.writing() as session:
        session.connection().execute(text("UPDATE alembic_version SET version_num = '9999'"))
    assert "use the newer program" in terminal.refuses("init")
    assert "its tables must be of this version" in terminal.refuses("week")


@pytest.mark.parametrize(
    "words",
    [
        ("watering", "0001-01-01"),
        ("picks", "9999-12-31"),
        ("forecast", "open", "", "--reason", "cooled van", "--by", "Lea"),
        ("not-collected", "R-1", "--repack-by", ""),
        ("zones", "close-days", "", "--reason", "strike"),
        ("zones", "reopen-days", ""),
        ("veto", "OLD", "--kind", "inspection", "--reason", "x", "--set-by", "Lic",
         "--until", "3027-03-01"),
    ],
)  # fmt: skip
def test_a_day_of_another_century_or_none_at_all_is_a_slip_of_the_pen(
    terminal: Terminal, words: tuple[str, ...]
) -> None:
    assert terminal.refuses(*words).startswith("Day: must ")


WEIGHED = ("weigh", "moss and paper", "--before", "400", "--after", "390", "--celsius", "15",
           "--humidity", "60")  # fmt: skip


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("undo", "99999999999999999999"), "2147483647"),
        (("materials", "--weeks", "99999999999"), "1 to 104 weeks"),
        (("count", "--area", "Nowhere"), "must be one of Frames"),
        (("benches", "--together", "Nothing"), "must be one of marsh"),
        (("benches", "--seconds", "-1"), "Seconds: must be above 0"),
        (("plan", "--minutes", "nan"), "--minutes"),
        (("token", " ", "--role", "shop"), "needs a name"),
        (("discard", "OLD", "6", "--lot", "2027-03-01"), "needs a reason, and none is given"),
        (("not-collected", "R-1", "--repack-by", ""), "must be given, and it is empty; write it"),
        (("passport", "OLD", "--page", "no/such/folder/labels.html"), "must be written"),
        (("shade", "--picture", "no/such/folder/shade.svg"), "must be written"),
        (("quote", "CP-6:\u00b2", "NL", "1011AB"), "quantity must be whole"),
        (("quote", "CP-6:2000000", "NL", "1011AB"), "at most 1000000; ask for fewer"),
        (("quote", "CP-6:1", "Netherlands", "1011AB"), "two letters (ISO 3166-1)"),
        (("reship", "99999999999999999999"), "2147483647"),
        (("erase", "--older-than", "2147483647"), "older than 1 to 36500 days"),
        (("transit", "--put-back"), "give --service and --zone"),
        (("zones", "close-days", "2062-01-01", "--reason", "strike"), "check the year"),
        ((*WEIGHED, "--hours", "24", "--before", "nan"), "weight at first must lie from"),
        ((*WEIGHED, "--hours", "1e300"), "time between the weighings must lie from"),
        ((*WEIGHED, "--hours", "24", "--celsius", "590"), "from -20 to 50 °C, and is 590"),
    ],
)
def test_a_number_name_or_place_that_cannot_be_meant_is_told_in_one_sentence(
    terminal: Terminal, words: tuple[str, ...], said: str
) -> None:
    assert said in terminal.refuses(*words)


def test_a_file_of_another_kind_is_told_in_one_sentence(terminal: Terminal, tmp_path: Path) -> None:
    picture = tmp_path / "picture.jpg"
    picture.write_bytes(b"\xff\xd8\xff\xe0\0\x10JFIF")
    assert "must be text" in terminal.refuses("delivered", "--file", str(picture))
    assert "the file must exist" in terminal.refuses("delivered", "--file", str(tmp_path))
    table = tmp_path / "delivered.csv"
    for line in ("order,delivered\nNOPE,2027-03-01", "\ufefforder;delivered\nNOPE;2027-03-01"):
        table.write_text(line, encoding="utf-8")
        assert "no parcel of it is" in terminal.refuses("delivered", "--file", str(table))
    assert "must be a folder" in terminal.refuses("demo", "--folder", str(picture))


def test_a_discard_says_whose_promises_it_touches(
    either_terminal: Terminal, either_db: Database
) -> None:
    with either_db.writing() as session:
        promise = reserve(session, "R-1", caltha(9), HERE, date(2027, 3, 3), "Van", "shop")
        confirm(session, promise.id or 0, "shop")
    shown = either_terminal.says("discard", "OLD", "20", "--lot", str(MONDAY), "--reason", "rot")
    assert "14 plugs are missing for 1 promises" in shown
    assert "promise at risk order R-1" in either_terminal.says("warnings")


def test_a_veto_whose_earliest_end_was_typed_wrong_is_corrected_and_then_signed_off(
    terminal: Terminal,
) -> None:
    said = ("--kind", "re-entry interval", "--reason", "label of X", "--set-by", "Li")
    terminal.says("veto", "OLD", *said, "--until", "2028-03-01")
    signs = ("sign-off", "OLD", "--signed-by", "Li", "--note", "over")
    assert "nursery veto-end" in terminal.refuses(*signs)
    mends = ("--corrected-by", "Li", "--reason", "the wrong year")
    assert "write 2027-04-02" in terminal.refuses("veto-end", "OLD", "", *mends)
    assert "holds until an authorised person" in terminal.says(
        "veto-end", "OLD", f"{MONDAY}", *mends
    )
    assert "OLD" in terminal.says(*signs)


def test_warnings_are_tables_by_urgency_and_data_for_programs(either_terminal: Terminal) -> None:
    shown = either_terminal.says("warnings")
    assert shown.startswith("TODAY")
    assert "there is no forecast" in shown
    found = either_terminal.data("warnings")
    assert isinstance(found, list)
    assert {"kind", "thing", "text", "what_to_do", "latest_day", "urgency"} == set(found[0])


def test_two_plans_are_compared_in_one_table(terminal: Terminal, db: Database) -> None:
    for _ in range(2):
        plan_propagation(db, 12, Limits(seconds=0.3), "Lea")
    shown = terminal.says("compare", "1", "2")
    assert shown.startswith("Plans 1 and 2")
    assert "late plug-days" in shown
    assert "What each shock adds" in shown
    assert "Both plans start the same trays in the same weeks." in shown


def test_the_evening_before_and_the_complaint_after(
    either_terminal: Terminal, either_db: Database
) -> None:
    assert "nothing need be watered" in either_terminal.says("watering")
    with either_db.writing() as session:
        promise = reserve(session, "C-1", caltha(2), HERE, date(2027, 3, 3), "Van", "shop")
        confirm(session, promise.id or 0, "shop")
    shown = either_terminal.says("watering")
    assert "Water on Tue 02 Mar for packing on Wed 03 Mar, 12 plugs" in shown
    assert "Sales bench 1 OLD Caltha palustris 12" in shown
    with either_db.writing() as session:
        line = session.exec(select(PromiseLine)).one()
        record_pick(session, line, session.exec(select(Lot)).one(), 12, "Pat")
        pack_parcel(session, promise.id or 0, "Pat", "Mo")
    listed = either_terminal.says("parcels", f"{promise.ship_on}")
    assert "0 to pick, 0 to pack, 1 for the van, 0 to pack again, 0 gone." in listed
    with either_db.writing() as session:
        hand_over(session, promise.id or 0, "3S1", "Pat")
    said = either_terminal.says("claim", "C-1", "--kind", "dead", "--text", "brown", "--plugs", "4")
    assert said.startswith("C-1: 4 plugs dead. They came from: 12 from batch OLD.")
    assert "To send them again: nursery reship" in said
    assert "order C-1 claims 4 plugs dead: brown" in either_terminal.says("trace", "OLD")
