"""In which order are the day's picks fetched, and in how many walks with the trolley?

Benches stand at X (along the front path) and Y (into the house), metres; those of one X make an
aisle, and a walk changes aisles by the front or by the back. The packing table stands at the front.
Where no bench has a place of its own yet, the walk order of the benches counts, as one walk.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from sqlmodel import Session, select

from nursery.database import site
from nursery.growing_area import Bench
from solver.walking import Plan, Problem, Stop, first_walks, length

_DM = 10
"""Decimetres in a metre: what the walk is worked out in."""
_HUNDRED = 100
"""Hundredths of a tray: a few plugs out of a tray take up some of the trolley too."""


@dataclass(frozen=True, slots=True)
class ToFetch:
    """One stop: a bench (None: nobody knows where), and the trays that are loaded there."""

    bench: Bench | None
    plugs: int
    cells: int


@dataclass(frozen=True, slots=True)
class Walk:
    """One round with the trolley: how many stops, metres (None: not known), trays at its end.

    More trays of one stop than the trolley holds are fetched in several trips, in `metres` as well.
    """

    number: int
    stops: int
    metres: float | None
    trays: float


def walks_of(session: Session, stops: Sequence[ToFetch]) -> tuple[tuple[Walk, ...], list[int]]:
    """Which walks are made, and in which order are the stops (by their places in `stops`) walked?

    Given in the order of the benches' walk order. The same stops give the same walks every time.
    """
    if not stops:
        return (), []
    benches = session.exec(select(Bench)).all()
    if len({(bench.x_m, bench.y_m) for bench in benches}) < 2:
        trays = sum(_load(each) for each in stops) / _HUNDRED
        return (Walk(1, len(stops), None, trays),), list(range(len(stops)))
    problem, lost = _problem(session, benches, stops)
    plan = first_walks(problem)
    walks = [_walk(problem, stops, plan, at) for at in range(len(plan.walks))]
    order = [int(key) for walk in plan.walks for key in walk]
    if lost:
        trays = sum(_load(stops[at]) for at in lost) / _HUNDRED
        walks.append(Walk(len(walks) + 1, len(lost), None, trays))
    return tuple(walks), [*order, *lost]


def _problem(
    session: Session, benches: Sequence[Bench], stops: Sequence[ToFetch]
) -> tuple[Problem, list[int]]:
    """The walking problem of the stops that stand on a bench, and the stops that do not."""
    front = min(bench.y_m for bench in benches)
    depth = round(_DM * (max(bench.y_m for bench in benches) - front))
    here = site(session)
    trolley = here.trolley_trays * _HUNDRED
    lost = [at for at, each in enumerate(stops) if each.bench is None]
    placed = [
        Stop(
            key=f"{at:04d}",
            x=round(_DM * each.bench.x_m),
            y=round(_DM * (each.bench.y_m - front)),
            load=min(_load(each), trolley),
        )
        for at, each in enumerate(stops)
        if each.bench is not None
    ]
    table = round(_DM * here.table_x_m)
    return Problem(tuple(placed), depth, table, trolley), lost


def _walk(problem: Problem, stops: Sequence[ToFetch], plan: Plan, at: int) -> Walk:
    walk = plan.walks[at]
    load = sum(_load(stops[int(key)]) for key in walk)
    trips = max(1, ceil(load / problem.trolley))
    metres = trips * length(problem, walk) / _DM
    return Walk(at + 1, len(walk), metres, load / _HUNDRED)


def _load(stop: ToFetch) -> int:
    return max(1, round(_HUNDRED * stop.plugs / stop.cells))
