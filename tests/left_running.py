"""Which processes has this one started that still run?"""

import os
from contextlib import suppress
from pathlib import Path


def running_children() -> frozenset[str]:
    """The command lines of the processes that this one started, and those that they did.

    Without multiprocessing's own keepers of shared things, which end with this process.
    """
    parents: dict[int, int] = {}
    for each in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            state, parent = each.read_text().rpartition(")")[2].split()[:2]
            if state != "Z":
                parents[int(each.parent.name)] = int(parent)
    found, more = set(), {os.getpid()}
    while more:
        more = {pid for pid, parent in parents.items() if parent in more} - found
        found |= more
    return frozenset(line for pid in found if (line := _line(pid)) and "_tracker" not in line)


def _line(pid: int) -> str:
    with suppress(OSError):
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode().strip()
    return ""
