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

SECTIONS = {
    "To begin with": (
        "cli.demo", "data.init", "data.template", "data.load", "data.export",
    ),
    "For the nursery lead, the plan": (
        "lead.plan", "why.why", "compare.compare", "benches.benches", "materials.materials",
        "shade.shade", "shade.frost", "learn.learn", "warnings.warnings",
    ),
    "For the nursery lead, the week": (
        "benches.week", "day.done", "day.undo", "day.day", "day.start", "day.move", "day.ready",
        "day.gap_up", "day.pot_on", "day.plant_out", "day.sell", "day.regrade", "day.discard",
        "cold.hold_cold", "shed.count",
    ),
    "For the nursery lead, what leaves": (
        "lead.dispatch", "days.days", "forecast", "zones", "boxes.boxes", "parcels.delivered",
        "parcels.transit", "shop.claim", "claims.claims", "claims.reship",
    ),
    "For the nursery lead, plant health": (
        "day.veto", "day.veto_end", "day.sign_off", "lead.trace", "health.passport",
        "health.suspect",
    ),
    "For the web shop": ("shop.quote", "receivers"),
    "For the packer": (
        "shed.watering", "shed.picks", "wraps.wraps", "wraps.weigh", "wraps.card",
        "parcels.parcels", "shed.pack", "shed.hand_over", "shed.not_collected",
    ),
    "To keep it": (
        "cli.serve", "shop.token", "backup.backup", "backup.restore", "check.check", "erase.erase",
    ),
}  # fmt: skip
"""By heading, the functions of files in this folder, named as typed, with dashes; a file alone has
commands of its own in its `app`. Those of "cli" are the composition root's."""

_ORDER = [place for places in SECTIONS.values() for place in places]
_PLACES = {
    place.rpartition(".")[2].replace("_", "-"): place if "." in place else f"{place}.app"
    for place in _ORDER
    if not place.startswith("cli.")
}
GROUPS = {place for place in _ORDER if "." not in place}
"""Files in this folder whose `app` has commands of its own."""


class OnDemand(TyperGroup):
    """The commands of this folder and those that the composition root adds, by who uses them."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        names: Any = dict.fromkeys(_PLACES)  # for the listing, and to say what was meant
        self.commands = {**names, **self.commands}

    def list_commands(self, ctx: Any) -> list[str]:
        """All names, in the order of the listing."""
        return [place.rpartition(".")[2].replace("_", "-") for place in _ORDER]

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The listing: a paragraph for each heading."""
        names = iter(self.list_commands(ctx))
        wide = formatter.width - 6 - max(map(len, self.list_commands(ctx)))
        for heading, places in SECTIONS.items():
            with formatter.section(heading):
                formatter.write_dl(
                    [(name, self.get_command(ctx, name).get_short_help_str(wide))
                     for _, name in zip(places, names, strict=False)],
                    col_max=40,
                )  # fmt: skip

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
    """The command, or the group of commands, as it is where all were put into one program."""
    app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
    if isinstance(what, typer.Typer):
        app.add_typer(what, name="group")
        group: Any = get_command(app)
        return group.commands["group"]
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
