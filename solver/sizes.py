"""Are a problem's numbers small enough that every sum of them is exact where solvers reckon?

OR-Tools reckons in whole numbers of 64 bits and in doubles, which are exact up to 2**53.
"""

from __future__ import annotations

MOST = 10**12
"""Larger numbers are slips: sums of them would not be exact where solvers reckon."""
EXACT = 2**53
"""Up to here a double tells any two whole numbers apart (IEEE 754)."""


def refuse_large(thing: str, *numbers: int) -> None:
    """Raises ValueError, naming `thing`, where a number lies beyond `MOST` either way."""
    for number in numbers:
        if not -MOST <= number <= MOST:
            raise ValueError(f"{thing}: numbers must be at most {MOST}, got {number}; correct it")


def refuse_inexact(thing: str, most: int) -> None:
    """Raises ValueError where all that is summed may come to more than is exact.

    `most` is the largest sum that any plan could come to.
    """
    if most > EXACT:
        rule = f"all costs together may come to {EXACT} at most, so that they add up exactly"
        raise ValueError(f"{thing}: {rule}, got up to {most}; take a larger unit")
