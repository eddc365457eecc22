"""What the README shows is what happens: its commands, blocks and examples are run."""

import os
import re
import shlex
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from api.running import running
from nursery.cli import app
from nursery.database import open_database

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
BLOCK = re.compile(r"^```(\w+)[^\n]*\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(language: str) -> list[str]:
    """Which fenced blocks of this language does the README hold, in order?"""
    return [body for kind, body in BLOCK.findall(README) if kind == language]


def nursery(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the command line as a user would, from another folder."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "100", "NO_COLOR": "1"}
    environment.pop("NURSERY_DATABASE", None)
    return subprocess.run(
        [sys.executable, "-m", "nursery.cli", *words],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, paragraph, *_ = README.split("\n\n")
    assert title.startswith("# ")
    assert len(paragraph.split()) > 40 and not paragraph.startswith(("#", "-", "`"))


def test_the_two_commands_install_show_the_demo_and_test() -> None:
    first, second = blocks("bash")[:2]
    assert "pip install" in first and first.strip().endswith("nursery demo")
    assert second.strip().startswith(".venv/bin/python -m pytest")


@pytest.fixture(scope="module")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's nursery, made by the command that the README's quickstarts begin with."""
    folder = tmp_path_factory.mktemp("readme")
    done = nursery("demo", "--folder", "demo", "--seconds", "4", cwd=folder)
    assert done.returncode == 0, done.stderr
    return folder / "demo"


def test_every_shell_example_of_the_quickstarts_runs_to_its_end(demo_folder: Path) -> None:
    copies = [demo_folder.parent / f"block {n}" for n in range(len(blocks("shell")))]
    for copy in copies:
        shutil.copytree(demo_folder, copy)
    with ThreadPoolExecutor(2) as two:
        assert sum(two.map(_run_lines, blocks("shell"), copies)) >= 8


def _run_lines(block: str, folder: Path) -> int:
    """How many commands ran, one after another? A block stands for itself, as a reader reads it."""
    ran = 0
    for line in block.strip().splitlines():
        words = shlex.split(line, comments=True)
        if not words or words[0] != "nursery" or words[1] in ("serve", "demo"):
            continue
        done = nursery(*words[1:], cwd=folder)
        assert done.returncode == 0, f"{line}\n{done.stdout}\n{done.stderr}"
        ran += 1
    return ran


def test_every_python_block_of_the_readme_runs(demo_folder: Path) -> None:
    assert blocks("python")
    for block in blocks("python"):
        done = subprocess.run(
            [sys.executable, "-W", "error", "-c", block],
            cwd=demo_folder,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == 0, f"{block}\n{done.stderr}"


def test_the_graphql_example_is_answered_by_the_demos_own_server(demo_folder: Path) -> None:
    secret = next(
        line.split()[1]
        for line in (demo_folder / "tokens.txt").read_text().splitlines()
        if line.startswith("shop ")
    )
    db = open_database(str(demo_folder / "nursery.sqlite"))
    assert blocks("graphql")
    with running(db) as address:
        for block in blocks("graphql"):
            answer = httpx.post(
                f"{address}/graphql",
                json={"query": block},
                headers={"Authorization": f"Bearer {secret}"},
                timeout=60,
            ).json()
            assert "errors" not in answer, answer
            assert answer["data"]["shipOptions"]["options"], answer
    db.close()


def test_every_command_shows_an_example_in_its_help() -> None:
    runner = CliRunner(env={"COLUMNS": "100", "NO_COLOR": "1"})
    listing = runner.invoke(app, ["--help"]).stdout
    names = re.findall(r"^  ([a-z][a-z-]+)  ", listing, re.MULTILINE)
    assert {"demo", "load", "plan", "picks", "quote", "serve"} <= set(names)
    for name in names:
        shown = runner.invoke(app, [name, "--help"]).stdout
        assert f"Example: nursery {name}" in shown, name
