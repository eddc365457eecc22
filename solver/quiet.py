"""How does a solver that prints from C, whatever it is told, leave standard output alone?

HiGHS writes a line of its own on some instances although its output is off; a program that reads
`--json` must not see it. While the block lasts, what C code prints goes to standard error.
"""

import ctypes
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_lock = threading.Lock()
_inside = 0
_kept = -1


@contextmanager
def standard_output_kept() -> Iterator[None]:
    """Keeps file descriptor 1 for its owner; blocks may nest and overlap between threads."""
    _enter()
    try:
        yield
    finally:
        _leave()


def _enter() -> None:
    global _inside, _kept
    with _lock:
        if _inside == 0:
            try:
                _flush()
                _kept = os.dup(1)
                os.dup2(2, 1)
            except OSError:  # no standard output or no standard error: nothing to keep
                _kept = -1
        _inside += 1


def _leave() -> None:
    global _inside, _kept
    with _lock:
        _inside -= 1
        if _inside == 0 and _kept >= 0:
            _flush()
            os.dup2(_kept, 1)
            os.close(_kept)
            _kept = -1


def _flush() -> None:
    """C keeps what it prints in a buffer of its own until it is told."""
    if os.name == "posix":
        ctypes.CDLL(None).fflush(None)
