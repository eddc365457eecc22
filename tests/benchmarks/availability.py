"""How quickly is it known what may still be promised, and is it ever wrong?

    python -m tests.benchmarks.availability [--pools N] [--seed K]

One JSON line a result, the last is the summary: milliseconds to rebuild a pool of 180 days, 24
lots and 70 commitments, seconds for 5,000 such pools, microseconds for a look-up of 30 days, and
how many of N random pools differ from OR-Tools maximum flow.
"""

from __future__ import annotations

import argparse
import json
import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nursery.availability import allot, extra
from tests.nursery.test_availability import extra_by_flow, random_pool

DAYS, LOTS, COMMITMENTS = 180, 24, 70
Whole = NDArray[np.int64]


def pool(rng: np.random.Generator) -> tuple[Whole, Whole, Whole, Whole]:
    """A pool of the size that counts, whose commitments can all be kept."""
    ready = rng.integers(0, DAYS - 20, LOTS)
    last_sale = ready + rng.integers(7, 40, LOTS)
    plugs = rng.integers(10, 300, LOTS)
    days = rng.integers(0, DAYS, COMMITMENTS)
    wanted = np.bincount(days, rng.integers(1, 12, COMMITMENTS), DAYS).astype(np.int64)
    return ready, last_sale, plugs, allot(ready, last_sale, plugs, wanted).sum(axis=0)


def speed(seed: int) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    pools = [pool(rng) for _ in range(200)]
    each = []
    for one in pools:
        start = time.perf_counter()
        extra(*one)
        each.append(time.perf_counter() - start)
    start = time.perf_counter()
    vectors = [extra(*pools[i % len(pools)]) for i in range(5_000)]
    many = time.perf_counter() - start
    start = time.perf_counter()
    for i in range(20_000):
        np.flatnonzero(vectors[i % 5_000][20:50] >= 6)
    look_up = (time.perf_counter() - start) / 20_000
    return {
        "rebuild_ms": round(1e3 * float(np.median(each)), 4),
        "rebuild_ms_worst": round(1e3 * max(each), 4),
        "pools_5000_seconds": round(many, 3),
        "look_up_us": round(1e6 * look_up, 3),
    }


def differences(pools: int, seed: int) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    start = time.perf_counter()
    wrong = 0
    for n in range(pools):
        one = random_pool(rng, keepable=n % 10 != 0)
        wrong += extra(*one).tolist() != extra_by_flow(one)
    return {"pools": pools, "differences": wrong, "seconds": round(time.perf_counter() - start, 1)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--pools", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    quick = speed(args.seed)
    print(json.dumps({"name": "speed"} | quick), flush=True)
    exact = differences(args.pools, args.seed)
    print(json.dumps({"name": "availability"} | quick | exact), flush=True)


if __name__ == "__main__":
    main()
