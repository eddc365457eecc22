"""Which commands are there, and where? A command's file is imported when it is run, not before.

`nursery --help` lists them all by the first lines of their docstrings, which are read from the
source without running it: importing everything that any command needs takes seconds.
"""

import ast
from collections.abc import Callable
from functools import cache
from importlib import import_module
from importlib.resources import files
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_command

COMMANDS = (
    "data.init",
    "data.template",
    "data.load",
    "data.export",
    "lead.plan",
    "why.why",
    "compare.compare",
    "warnings.warnings",
    "benches.week",
    "benches.benches",
    "day.done",
    "day.undo",
    "day.day",
    "day.start",
    "day.move",
    "day.ready",
    "day.gap_up",
    "day.pot_on",
    "day.plant_out",
    "day.sell",
    "day.regrade",
    "day.discard",
    "day.veto",
    "day.sign_off",
    "materials.materials",
    "cold.hold_cold",
    "shade.shade",
    "shade.frost",
    "learn.learn",
    "lead.dispatch",
    "lead.trace",
    "shop.token",
    "shop.quote",
    "shop.claim",
    "claims.claims",
    "claims.reship",
    "health.passport",
    "erase.erase",
    "health.suspect",
    "shed.watering",
    "shed.picks",
    "wraps.wraps",
    "wraps.weigh",
    "wraps.card",
    "boxes.boxes",
    "shed.pack",
    "shed.hand_over",
    "shed.not_collected",
    "parcels.parcels",
    "parcels.delivered",
    "parcels.transit",
    "shed.count",
    "backup.backup",
    "backup.restore",
    "check.check",
)
"""Functions of files in this folder, in the order of the listing; named as typed, with dashes."""
GROUPS = ("zones", "forecast", "receivers")
"""Files in this folder whose `app` has commands of its own."""

_PLACES = {name.partition(".")[2].replace("_", "-"): name for name in COMMANDS} | {
    name: f"{name}.app" for name in GROUPS
}


class OnDemand(TyperGroup):
    """The commands of this folder, and after them those that the composition root adds."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        names: Any = dict.fromkeys(_PLACES)  # for the listing, and to say what was meant
        self.commands = {**names, **self.commands}

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command as the listing shows it; None where there is none of this name."""
        place = _PLACES.get(cmd_name)
        return super().get_command(ctx, cmd_name) if place is None else _listed(place)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Which command was typed, and what is left to read? It is imported now."""
        place = _PLACES.get(args[0])
        return (
            super().resolve_command(ctx, args)
            if place is None
            else (*_found(args[0], place), args[1:])
        )


def _found(name: str, place: str) -> tuple[str, Any]:
    file, _, function = place.partition(".")
    found = getattr(import_module(f"{__package__}.{file}"), function)
    return name, _made(found)


def _made(what: typer.Typer | Callable[..., None]) -> Any:
    if isinstance(what, typer.Typer):
        return get_command(what)
    app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
    app.command()(what)
    return get_command(app)


def _listed(place: str) -> Any:
    def command() -> None:
        """Stands for one that is not imported."""

    command.__doc__ = _said(place)
    return _made(command)


def _said(place: str) -> str | None:
    """What does the docstring of this command say, or of the file of this group?"""
    file, _, name = place.partition(".")
    return _docstrings(file)[None if file in GROUPS else name]


@cache
def _docstrings(file: str) -> dict[str | None, str | None]:
    """What do a file's docstrings say, by function? Its own under None."""
    tree = ast.parse(files(__package__ or "").joinpath(f"{file}.py").read_text("utf-8"))
    found = {None: ast.get_docstring(tree)}
    functions = [node for node in tree.body if isinstance(node, ast.FunctionDef)]
    return found | {node.name: ast.get_docstring(node) for node in functions}
