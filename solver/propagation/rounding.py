"""Which whole plan is near the linear relaxation? Batches that are large enough, rounded."""

from __future__ import annotations

from solver.propagation.plan import Start, batches
from solver.propagation.problem import Problem
from solver.propagation.state import Share, allowed_quota, allowed_starts

Key = tuple[str, int]


def rounded(problem: Problem, shares: list[Share], least: float) -> tuple[Start, ...]:
    """Starts near fractional shares: batches of at least `least` times the smallest batch.

    Larger batches come first where batch starts of a week or propagules run out; every rule is
    kept, since a batch that breaks one is left out. Fixed batches stand as they are.
    """
    protocols = problem.protocols()
    wanted: dict[Key, dict[int, float]] = {}
    for share in shares:
        for (name, week, extra), trays in share.trays.items():
            wanted.setdefault((name, week), {})[extra] = trays
    starts = list(problem.fixed)
    fixed = batches(problem.fixed)
    free = allowed_starts(problem)
    quota = {mother.key: allowed_quota(problem, mother.key) for mother in problem.mothers}
    for start in starts:
        protocol = protocols[start.protocol]
        if protocol.mother is not None:
            quota[protocol.mother][start.week] -= start.trays * protocol.propagules
    for _, week in fixed:
        free[week] -= 1
    order = sorted(
        (key for key in wanted if key not in fixed and key[1] >= problem.frozen_weeks),
        key=lambda key: (
            -sum(wanted[key].values()) / max(1, protocols[key[0]].smallest_batch),
            key,
        ),
    )
    for name, week in order:
        protocol = protocols[name]
        total = sum(wanted[name, week].values())
        smallest = max(1, protocol.smallest_batch)
        trays = max(smallest, round(total))
        if total < least * smallest or free[week] < 1:
            continue
        if protocol.mother is not None and protocol.propagules:
            trays = min(trays, int(quota[protocol.mother][week] // protocol.propagules))
            if trays < smallest:
                continue
            quota[protocol.mother][week] -= trays * protocol.propagules
        free[week] -= 1
        starts.extend(_split(name, week, trays, wanted[name, week]))
    return tuple(sorted(starts))


def _split(name: str, week: int, trays: int, wanted: dict[int, float]) -> list[Start]:
    """A batch's trays over its extra weeks, in the proportions of the relaxation."""
    total = sum(wanted.values())
    found: list[Start] = []
    left = trays
    for extra in sorted(wanted, key=lambda extra: wanted[extra]):
        part = min(left, round(trays * wanted[extra] / total))
        if extra == max(wanted, key=lambda extra: wanted[extra]):
            part = left
        if part > 0:
            found.append(Start(name, week, extra, part))
            left -= part
    return found
