"""Random days in a block of aisles, from a seed; and the shortest walk by trying everything."""

from __future__ import annotations

import random

from solver.walking import Problem, Stop


def random_day(seed: int, stops: int, aisles: int = 10, trolley: int = 1_000_000) -> Problem:
    """So many picks in aisles 30 decimetres apart and 240 long; a load is 1 to 40 of a hundred."""
    chance = random.Random(seed)
    return Problem(
        stops=tuple(
            Stop(
                f"pick-{at:02d}",
                30 * chance.randrange(aisles),
                6 * chance.randrange(41),
                chance.randrange(1, 41),
            )
            for at in range(stops)
        ),
        depth=240,
        table=30 * chance.randrange(aisles),
        trolley=trolley,
        name=f"day {seed}",
    )


def shortest_length(problem: Problem) -> int:
    """The length of the shortest walk by all stops (Held & Karp 1962; Bellman 1962)."""
    stops = problem.stops
    if not stops:
        return 0
    least = {(1 << at, at): problem.from_table(stop) for at, stop in enumerate(stops)}
    for _ in stops[1:]:
        longer: dict[tuple[int, int], int] = {}
        for (seen, at), so_far in least.items():
            for to, stop in enumerate(stops):
                if not seen >> to & 1:
                    key, far = (seen | 1 << to, to), so_far + problem.between(stops[at], stop)
                    longer[key] = min(far, longer.get(key, far))
        least = longer
    return min(far + problem.from_table(stops[at]) for (_, at), far in least.items())


def shortest_walks(problem: Problem) -> int:
    """The least length of walks that a trolley can hold, over all ways to part the stops."""
    stops = problem.stops
    alone: dict[int, int] = {}
    for chosen in range(1, 1 << len(stops)):
        load = tuple(stop for at, stop in enumerate(stops) if chosen >> at & 1)
        if sum(stop.load for stop in load) <= problem.trolley:
            alone[chosen] = shortest_length(
                Problem(load, problem.depth, problem.table, problem.trolley)
            )
    least = {0: 0}
    for chosen in range(1, 1 << len(stops)):
        part, found = chosen, []
        while part:
            if part in alone and chosen ^ part in least:
                found.append(alone[part] + least[chosen ^ part])
            part = (part - 1) & chosen
        if found:
            least[chosen] = min(found)
    return least[(1 << len(stops)) - 1]
