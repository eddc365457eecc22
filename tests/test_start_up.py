"""A command is there at once: what is large is imported where it is used, and not before."""

import subprocess
import sys
from pathlib import Path

from typer.testing import CliRunner

from nursery.cli import app
from nursery.commands.on_demand import SECTIONS
from nursery.database import Database
from tests.builders import small_nursery

ROOT = Path(__file__).parents[1]
ASKED = """
import sys
from nursery.cli import main
try:
    main()
except SystemExit as end:
    assert not end.code, end.code
print("imported:", *sorted(sys.modules), file=sys.stderr)
"""


def imported(*words: str) -> set[str]:
    """Which modules has a command imported when it ends?"""
    done = subprocess.run(
        [sys.executable, "-c", ASKED, *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return set(done.stderr.rpartition("imported: ")[2].split())


def test_the_help_of_all_commands_needs_no_solver_no_statistics_and_no_database() -> None:
    large = {"ortools", "pandas", "scipy", "numpy", "sqlalchemy", "sqlmodel", "alembic", "openpyxl"}
    assert imported("--help") & large == set()


def test_a_sheet_that_needs_no_solve_imports_no_solver(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
    large = {"ortools", "pandas", "scipy.stats", "scipy.optimize", "alembic"}
    assert imported("picks", "2027-03-30", "--database", db.address) & large == set()


def test_every_command_is_listed_with_the_first_words_of_its_own_help() -> None:
    runner = CliRunner(env={"COLUMNS": "300", "NO_COLOR": "1"})
    listing = runner.invoke(app, ["--help"]).stdout.split("To begin with:")[1].splitlines()
    lines = [line for line in listing if line.startswith("  ")]
    said = {line.split()[0]: " ".join(line.split()[1:]) for line in lines}
    assert len(said) == len(lines) == sum(map(len, SECTIONS.values()))
    for name, short in said.items():
        whole = " ".join(runner.invoke(app, [name, "--help"]).stdout.split())
        assert short.removesuffix("...").strip() in whole, name
        assert len(short) > 10


def test_a_command_that_is_none_is_refused_with_the_one_that_was_meant() -> None:
    refused = CliRunner().invoke(app, ["pick"])
    assert refused.exit_code == 2
    assert "picks" in refused.output


def test_a_group_of_commands_speaks_as_the_others_do() -> None:
    runner = CliRunner(env={"COLUMNS": "100", "NO_COLOR": "1"})
    shown = runner.invoke(app, ["receivers", "--help"]).output
    assert "Usage: nursery receivers [OPTIONS] COMMAND [ARGS]..." in shown
    assert "completion" not in shown and "─" not in shown
    assert "Usage: nursery receivers off [OPTIONS]" in (
        runner.invoke(app, ["receivers", "off", "--help"]).output
    )
