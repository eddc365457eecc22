"""When is a large package imported? When a solve first asks for something of it, and no sooner.

Most of what the command line and the server do needs no solver, and importing one takes longer than
they do.

    if TYPE_CHECKING:
        from ortools.sat.python import cp_model
    else:
        cp_model = Late("ortools.sat.python.cp_model")
"""

from importlib import import_module
from typing import Any


class Late:
    """A module that is imported when an attribute of it is first asked for.

    Asking raises ImportError where it is not installed, and AttributeError for what it has not.
    """

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, attribute: str) -> Any:
        found = getattr(import_module(self._name), attribute)
        setattr(self, attribute, found)  # from now on it is there without asking
        return found
