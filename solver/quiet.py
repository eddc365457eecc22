"""How does a solver that prints from C, whatever it is told, leave the terminal alone?

HiGHS writes a line of its own on some instances although its output is off; a program that reads
`--json` must not see it, nor a person under a progress bar. While the block lasts, C's own standard
output leads nowhere. Python's does not pass through it, so progress is seen meanwhile.
"""

import ctypes
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_NAMES = ("stdout", "__stdoutp")  # GNU and musl; macOS
_lock = threading.Lock()
_inside = 0
_kept: int | None = None
_nowhere: int | None = None


@contextmanager
def c_output_dropped() -> Iterator[None]:
    """Drops what C code prints; blocks may nest and overlap between threads."""
    _enter()
    try:
        yield
    finally:
        _leave()


def _enter() -> None:
    global _inside, _kept, _nowhere
    with _lock:
        stream = _stream()
        if _inside == 0 and stream is not None:
            _nowhere = _nowhere or _opened_nowhere()
            if _nowhere:
                _kept, stream.value = stream.value, _nowhere
        _inside += 1


def _leave() -> None:
    global _inside, _kept
    with _lock:
        _inside -= 1
        stream = _stream()
        if _inside == 0 and stream is not None and _kept is not None:
            stream.value, _kept = _kept, None


def _stream() -> ctypes.c_void_p | None:
    """C's variable that says where it prints to; None where it is called otherwise."""
    if os.name != "posix":
        return None
    for name in _NAMES:
        try:
            return ctypes.c_void_p.in_dll(ctypes.CDLL(None), name)
        except ValueError:
            continue
    return None


def _opened_nowhere() -> int | None:
    """A C stream to the null device; opened once, for as long as the process lives."""
    fopen = ctypes.CDLL(None).fopen
    fopen.restype = ctypes.c_void_p
    found: int | None = fopen(os.devnull.encode(), b"w")
    return found
