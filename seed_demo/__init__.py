"""An invented nursery, its workbook, its weather and its orders, from one seed."""

from seed_demo.build import build
from seed_demo.run import run_demo

__all__ = ["build", "run_demo"]
