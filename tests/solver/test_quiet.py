"""What a solver's C code prints must not spoil what a program reads, or what a person looks at."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
PROGRAM = """
import ctypes, sys, threading
from solver.quiet import c_output_dropped

c = ctypes.CDLL(None)

def solve():
    for _ in range(20):
        with c_output_dropped(), c_output_dropped():
            c.puts(b"a line that nobody asked for")
            sys.stdout.write("progress\\n")

threads = [threading.Thread(target=solve) for _ in range(4)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
c.puts(b"a line that somebody asked for")
c.fflush(None)
"""
UNASKED, ASKED = "a line that nobody asked for", "a line that somebody asked for"


def _printed(program: str) -> tuple[str, str]:
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return done.stdout, done.stderr


def test_lines_that_c_code_prints_while_solving_are_dropped_and_pythons_are_not() -> None:
    out, err = _printed(PROGRAM)
    assert UNASKED not in out + err
    assert (out.count("progress"), out.count(ASKED)) == (80, 1)


def test_without_it_they_would_reach_standard_output() -> None:
    out, _ = _printed(PROGRAM.replace("with c_output_dropped(), c_output_dropped():", "if True:"))
    assert out.count(UNASKED) == 80
