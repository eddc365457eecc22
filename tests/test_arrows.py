"""Data flows one way: `api` -> `nursery` -> `solver`; `seed_demo` -> `nursery`."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FORBIDDEN = {
    "solver": {"nursery", "api", "seed_demo", "tests", "starlette", "strawberry", "sqlmodel"},
    "nursery": {"api", "seed_demo", "tests", "ortools", "starlette", "strawberry", "uvicorn"},
    "api": {"solver", "seed_demo", "tests", "ortools"},
    "seed_demo": {"api", "solver", "tests", "ortools", "starlette", "strawberry"},
}
COMPOSITION_ROOT = ROOT / "nursery" / "cli.py"
ALLOWED_TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "nursery",
    "api",
    "solver",
    "tests",
    "seed_demo",
}


def imported(source: str) -> Iterator[str]:
    """Which top-level packages does this source import, anywhere in it?"""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield node.module.split(".")[0]
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Late":
            yield str(getattr(node.args[0], "value", "")).split(".")[0]


def wrong_arrows(path: Path, layer: str) -> list[str]:
    """Which imports of this file point the wrong way?"""
    if path == COMPOSITION_ROOT:
        return []
    return sorted(set(imported(path.read_text())) & FORBIDDEN[layer])


@pytest.mark.parametrize("layer", sorted(FORBIDDEN))
def test_no_import_points_against_the_arrows(layer: str) -> None:
    files = sorted((ROOT / layer).rglob("*.py"))
    assert files
    wrong = {str(path.relative_to(ROOT)): wrong_arrows(path, layer) for path in files}
    assert {name: bad for name, bad in wrong.items() if bad} == {}


def test_an_import_inside_a_function_is_seen_as_well() -> None:
    source = "def late():\n    from api.app import create_app\n    import ortools.sat\n"
    assert set(imported(source)) & FORBIDDEN["nursery"] == {"api", "ortools"}


def test_what_is_imported_late_is_seen_as_well() -> None:
    assert set(imported('mathopt = Late("ortools.math_opt.python.mathopt")')) == {"ortools"}


def test_the_top_level_holds_the_fixed_rooms_and_nothing_else() -> None:
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    found -= {name for name in found if name.endswith(".egg-info") or name == "__pycache__"}
    assert found == ALLOWED_TOP_LEVEL - ({"LICENSE"} - found)
