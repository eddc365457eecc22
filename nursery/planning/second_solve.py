"""Does a plan fit on the benches, and is there seed enough for it? If not: solved once more.

A propagation problem counts places by kind of area and seeds by week. Two things it cannot say:
that a batch needs places which are free for its whole stay (the bench map, design 5.2), and that
seed sown in one week is gone in the next. Both are looked at when a plan is there, and where it
fails, the problem is made tighter just there and solved again:
- *Places*: in the weeks in which the bench map leaves batches without places, the area gets no
  more than what the plan used less what was missing. Places that work in progress stands on stay,
  and what would be missing if nothing were started, or is overflow by the plan's own reckoning
  (which is reported as such), is not told again. The ready benches are left out: on the map plugs
  to come stand for two weeks, an estimate, while the plan knows how long each waits.
- *Seed*: all that is sown from some week on must come from lots that may still be sown then. The
  weeks' quotas say how much that is, so it can be judged exactly. Where a plan takes more, the
  first weeks get what they asked for, as far as the seed goes, and the quotas become those numbers:
  no plan can take too much of them. It is a rule of thumb which weeks do without.
A further solve keeps to the starts of the plan before it: changing one costs a little.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from nursery.growing.sowing import SEED_OF
from nursery.planning.accepted import CHANGE_COST
from nursery.weeks import Horizon
from solver.benching import Problem as BenchProblem
from solver.benching import first_map, shortages
from solver.benching import solve as draw
from solver.propagation import Mother, Plan, Problem, cost, solve
from solver.propagation.judge import loads
from solver.run import Limits, Outcome, Status

MOST_FURTHER = 2
"""How often is a plan solved again, at most?"""

MAP_SECONDS = 5.0
"""How long is a map tried, if the first one leaves somebody without places?"""

_DAYS = 7
_MOST_NAMED = 4

Short = Mapping[tuple[str, int], int]
"""Places missing, by area and week."""


@dataclass(frozen=True)
class Fitted:
    """The plan that is kept, judged on the problem as it was asked, and how it came to be.

    `further` is how often it was solved again; `first_short` and `short` are the places missing on
    the bench map, by area and week, of the first plan and of the kept one; `seed` the seeds that
    the first plan and the kept one take beyond what there is, by crop. `first_cost` is what the
    first plan cost.
    """

    outcome: Outcome[Plan]
    further: int
    first_short: Short
    short: Short
    first_seed: Mapping[str, int]
    seed: Mapping[str, int]
    first_cost: int


@dataclass(frozen=True)
class _Try:
    plan: Plan
    cost: int
    seconds: float
    short: Short = field(default_factory=dict)
    seed: Mapping[str, int] = field(default_factory=dict)

    def rank(self) -> tuple[int, int, int]:
        """Lower is better: seed that is not there, places that are missing, cost."""
        return sum(self.seed.values()), sum(self.short.values()), self.cost


def solve_to_fit(
    problem: Problem,
    limits: Limits,
    benches: Callable[[Plan], BenchProblem],
    map_seconds: float = MAP_SECONDS,
) -> Fitted:
    """Which plan is cheap, fits on the benches and has its seed?

    `benches` poses the bench problem of a plan, in days from the first Monday. The first solve has
    the limits, each further one (at most `MOST_FURTHER`) half of their seconds. Where no plan fits
    wholly, the one that lacks least is kept. The bound stays that of the problem as asked.
    """
    first = solve(problem, limits)
    plan = first.found()
    judge = _Judge(problem, limits, benches, map_seconds)
    tries = [judge.tried(plan, first.seconds)]
    asked = problem
    for _ in range(MOST_FURTHER):
        tighter = with_places(asked, tries[-1].plan, tries[-1].short)
        if tries[-1].seed:
            tighter = replace(tighter, mothers=with_seed(problem, tries[-1].plan))
        if tighter == asked or (limits.stop is not None and limits.stop.is_set()):
            break
        asked = tighter
        less = replace(limits, seconds=limits.seconds / 2)
        again = solve(_keeping_to(asked, tries[-1].plan), less)
        tries.append(judge.tried(again.found(), again.seconds))
    best = min(tries, key=_Try.rank)
    outcome = first
    if best is not tries[0]:
        outcome = replace(first, plan=best.plan, cost=best.cost, status=Status.FEASIBLE)
    return Fitted(
        outcome=replace(outcome, seconds=sum(one.seconds for one in tries)),
        further=len(tries) - 1,
        first_short=tries[0].short,
        short=best.short,
        first_seed=tries[0].seed,
        seed=best.seed,
        first_cost=tries[0].cost,
    )


class _Judge:
    """Says what a plan lacks, beside what is lacking if nothing is started."""

    def __init__(
        self,
        problem: Problem,
        limits: Limits,
        benches: Callable[[Plan], BenchProblem],
        map_seconds: float,
    ) -> None:
        self._problem = problem
        self._benches = benches
        self._limits = replace(limits, seconds=min(map_seconds, limits.seconds), progress=None)
        self._anyway: Short | None = None

    def tried(self, plan: Plan, seconds: float) -> _Try:
        """What does this plan cost and lack? It was solved in so many seconds."""
        short = without_overflow(self._problem, plan, self._missing(plan))
        if short:
            if self._anyway is None:
                self._anyway = self._missing(Plan())
            less = {key: n - self._anyway.get(key, 0) for key, n in short.items()}
            short = {key: n for key, n in less.items() if n > 0}
        price = cost(self._problem, plan)
        return _Try(plan, price, seconds, short, missing_seed(self._problem, plan))

    def _missing(self, plan: Plan) -> Short:
        return missing_places(self._problem, self._benches(plan), self._limits)


def missing_places(problem: Problem, benches: BenchProblem, limits: Limits) -> Short:
    """How many places are missing on the bench map, by area and week (the worst day of each)?

    The map that is there at once, and a better one within the limits only where that one is short.
    """
    found = first_map(benches)
    if shortages(benches, found):
        found = draw(benches, limits).found()
    missing: dict[tuple[str, int], int] = {}
    for one in shortages(benches, found):
        if one.area == problem.ready_area:
            continue
        for week in range(one.first // _DAYS, (one.until - 1) // _DAYS + 1):
            if week < problem.weeks:
                key = one.area, week
                missing[key] = max(missing.get(key, 0), one.places)
    return missing


def without_overflow(problem: Problem, plan: Plan, short: Short) -> Short:
    """What is missing on the map beyond what the plan says itself does not fit?

    A batch without places lacks them for its whole stay, so the worst week of overflow counts for
    all weeks that follow one another.
    """
    used = loads(problem, plan).places
    found: dict[tuple[str, int], int] = {}
    for area in problem.areas:
        for weeks in _runs(sorted(week for key, week in short if key == area.key)):
            over = max(used[area.key][week] - area.places[week] for week in weeks)
            for week in weeks:
                if short[area.key, week] > over:
                    found[area.key, week] = short[area.key, week] - max(0, over)
    return found


def _runs(weeks: Sequence[int]) -> list[list[int]]:
    """The weeks in groups that follow one another."""
    found: list[list[int]] = []
    for week in weeks:
        if found and found[-1][-1] == week - 1:
            found[-1].append(week)
        else:
            found.append([week])
    return found


def with_places(problem: Problem, plan: Plan, short: Short) -> Problem:
    """The problem without the places that the bench map could not find for this plan."""
    if not short:
        return problem
    used = loads(problem, plan).places
    areas = []
    for area in problem.areas:
        places = [
            max(
                min(there, standing),
                min(there, used[area.key][week] - short.get((area.key, week), 0)),
            )
            if (area.key, week) in short
            else there
            for week, (there, standing) in enumerate(zip(area.places, area.wip_places, strict=True))
        ]
        areas.append(replace(area, places=tuple(places)))
    return replace(problem, areas=tuple(areas))


def missing_seed(problem: Problem, plan: Plan) -> dict[str, int]:
    """How many seeds does the plan take beyond what there is, by crop? Those with enough left out.

    A lot may be sown until its sow-by date, so what may be sown in some week may be sown in those
    before: it is enough that what is sown from each week on is there in that week.
    """
    found = {}
    for mother in problem.mothers:
        if not mother.key.startswith(SEED_OF):
            continue
        taken = _taken(problem, plan, mother.key)
        over = max((sum(taken[w:]) - quota for w, quota in enumerate(mother.quota)), default=0)
        if over > 0:
            found[mother.key.removeprefix(SEED_OF)] = over
    return found


def with_seed(problem: Problem, plan: Plan) -> tuple[Mother, ...]:
    """The propagules with quotas of which no plan takes too much seed, where this plan does.

    The weeks keep what this plan sows in them, the first ones first, until the seed is used up.
    """
    over = {SEED_OF + crop for crop in missing_seed(problem, plan)}
    mothers = []
    for mother in problem.mothers:
        kept: list[int] = []
        if mother.key in over:
            for week, wanted in enumerate(_taken(problem, plan, mother.key)):
                left = min(mother.quota[w] - sum(kept[w:]) for w in range(week + 1))
                kept.append(max(0, min(wanted, left)))
        mothers.append(replace(mother, quota=tuple(kept)) if kept else mother)
    return tuple(mothers)


def _taken(problem: Problem, plan: Plan, key: str) -> list[int]:
    """Propagules of this source that the plan takes, by week."""
    protocols = problem.protocols()
    taken = [0] * problem.weeks
    for start in plan.starts:
        protocol = protocols[start.protocol]
        if protocol.mother == key:
            taken[start.week] += protocol.propagules * start.trays
    return taken


def _keeping_to(problem: Problem, plan: Plan) -> Problem:
    """The problem in which it costs a little to change a start of this plan."""
    fixed = {(start.protocol, start.week) for start in problem.fixed}
    starts = tuple(s for s in plan.starts if (s.protocol, s.week) not in fixed)
    return replace(problem, accepted=starts, change_cost=problem.change_cost or CHANGE_COST)


def told(fitted: Fitted, horizon: Horizon) -> list[str]:
    """What must the lead know of a plan that was solved again, or that does not fit?"""
    found = []
    times = "once more" if fitted.further == 1 else f"{fitted.further} times more"
    solved = f"it was solved {times}" if fitted.further else "it was not solved again"
    if fitted.first_short:
        end = (
            f"; {_where(fitted.short, horizon)} are still missing: draw the map and see who waits"
            if fitted.short
            else " with fewer places there, and now every batch has its places"
        )
        found.append(
            f"The first plan did not fit on the benches ({_where(fitted.first_short, horizon)} "
            f"were missing): {solved}{end}"
        )
    if fitted.first_seed:
        asked = _seeds(fitted.first_seed)
        end = (
            f"; {_seeds(fitted.seed)} are still missing: order seed before you accept it"
            if fitted.seed
            else ", and now takes no more than there is; order seed if you want those starts"
        )
        found.append(f"The first plan took more seed than is left ({asked}): {solved}{end}")
    return found


def _where(short: Short, horizon: Horizon) -> str:
    areas = sorted({area for area, _ in short})
    named = []
    for area in areas:
        weeks = sorted(week for key, week in short if key == area)
        most = max(short[area, week] for week in weeks)
        first, last = horizon.week(weeks[0]), horizon.week(weeks[-1])
        when = f"in {first}" if first == last else f"between {first} and {last}"
        named.append(f"up to {most} places of the {area} {when}")
    return " and ".join(named)


def _seeds(missing: Mapping[str, int]) -> str:
    named = [f"{number} seeds of {crop}" for crop, number in sorted(missing.items())]
    more = ", ..." if len(named) > _MOST_NAMED else ""
    return ", ".join(named[:_MOST_NAMED]) + more
