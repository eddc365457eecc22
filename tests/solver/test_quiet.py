"""What a solver's C code prints must not spoil what a program reads from standard output."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
PROGRAM = """
import ctypes, threading
from solver.quiet import standard_output_kept

c = ctypes.CDLL(None)

def solve():
    for _ in range(20):
        with standard_output_kept(), standard_output_kept():
            c.puts(b"a line that nobody asked for")

threads = [threading.Thread(target=solve) for _ in range(4)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
print("{}")
"""


def test_lines_that_c_code_prints_while_solving_go_to_standard_error() -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout == "{}\n"
    assert done.stderr.count("a line that nobody asked for") == 80


def test_without_it_they_would_reach_standard_output() -> None:
    bare = PROGRAM.replace("with standard_output_kept(), standard_output_kept():", "if True:")
    done = subprocess.run(
        [sys.executable, "-c", bare], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.count("a line that nobody asked for") == 80
