"""How long may a solve take, how far is it, and how did it end?

The only module that knows solver parameters and statuses. Every `solve(problem, limits)` of this
package takes a `Limits` and returns an `Outcome`.
"""

from __future__ import annotations

import datetime
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Generic, Protocol, TypeVar

import numpy as np

from solver.late import Late
from solver.linear import LinearAnswer, LinearModel
from solver.quiet import c_output_dropped

if TYPE_CHECKING:
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2
    from ortools.math_opt import model_parameters_pb2, model_pb2, result_pb2, solution_pb2
    from ortools.math_opt.core.python import solver as mathopt_core
    from ortools.math_opt.python import mathopt
    from ortools.sat.python import cp_model
    from pybind11_abseil import status as abseil_status  # type: ignore[import-untyped]
else:
    pywrapcp = Late("ortools.constraint_solver.pywrapcp")
    routing_enums_pb2 = Late("ortools.constraint_solver.routing_enums_pb2")
    model_parameters_pb2 = Late("ortools.math_opt.model_parameters_pb2")
    model_pb2 = Late("ortools.math_opt.model_pb2")
    result_pb2 = Late("ortools.math_opt.result_pb2")
    solution_pb2 = Late("ortools.math_opt.solution_pb2")
    mathopt_core = Late("ortools.math_opt.core.python.solver")
    mathopt = Late("ortools.math_opt.python.mathopt")
    cp_model = Late("ortools.sat.python.cp_model")
    abseil_status = Late("pybind11_abseil.status")

PlanT = TypeVar("PlanT")


class StopSignal(Protocol):
    """Anything that can say "stop now", such as a `threading.Event`."""

    def is_set(self) -> bool: ...


@dataclass(frozen=True)
class Progress:
    """How far is the solve? Seconds since its start, cost of the best plan so far, proven bound."""

    seconds: float
    cost: int | None
    bound: int | None

    @property
    def gap(self) -> float | None:
        return relative_gap(self.cost, self.bound)


ProgressCallback = Callable[[Progress], None]


_MOST_SECONDS = 366 * 86_400
_MOST_THREADS = 1_024


@dataclass(frozen=True)
class Limits:
    """How long, on how many threads, from which seed may a solve run, and who is told?

    `seconds` is wall time; `stop` ends the solve early and keeps the best plan. Raises ValueError
    where a number cannot be used; a seed is a number of 31 bits, as OR-Tools keeps it.
    """

    seconds: float
    threads: int = 2
    seed: int = 0
    progress: ProgressCallback | None = None
    stop: StopSignal | None = None

    def __post_init__(self) -> None:
        if not self.seconds > 0:
            raise ValueError(f"Limits: seconds must be > 0, got {self.seconds}; give more time")
        if self.seconds > _MOST_SECONDS:
            rule = f"seconds must be at most {_MOST_SECONDS}, a year"
            raise ValueError(f"Limits: {rule}, got {self.seconds}; give less and stop it by hand")
        if not 1 <= self.threads <= _MOST_THREADS:
            raise ValueError(f"Limits: threads must be in 1..{_MOST_THREADS}, got {self.threads}")
        if not 0 <= self.seed < 2**31:
            raise ValueError(f"Limits: the seed must be in 0..{2**31 - 1}, got {self.seed}")


class Status(StrEnum):
    """How did a solve end?"""

    OPTIMAL = "optimal"
    FEASIBLE = "feasible"
    STOPPED = "stopped"
    INFEASIBLE = "infeasible"
    NO_PLAN = "no plan"


@dataclass(frozen=True)
class Outcome(Generic[PlanT]):
    """What came out: the best plan (None if none was found), its judged cost and a proven bound."""

    plan: PlanT | None
    cost: int | None
    bound: int | None
    seconds: float
    status: Status
    notes: dict[str, float] = field(default_factory=dict)

    @property
    def gap(self) -> float | None:
        return relative_gap(self.cost, self.bound)

    def found(self) -> PlanT:
        """The plan. Raises ValueError if there is none."""
        if self.plan is None:
            raise ValueError(f"No plan was found ({self.status}); give it more time")
        return self.plan


def relative_gap(cost: int | None, bound: int | None) -> float | None:
    """(cost - bound) / cost, 0 where both are equal, None where either is not known."""
    if cost is None or bound is None:
        return None
    return 0.0 if cost <= bound else (cost - bound) / abs(cost) if cost else 1.0


class Clock:
    """How much of the limits is left? Also passes progress on and remembers a stop.

    It starts when the solvers are imported, so that a solve's seconds are spent solving.
    """

    def __init__(self, limits: Limits) -> None:
        _import_solvers()
        self.limits = limits
        self._start = time.monotonic()
        self._interrupted = False

    def seconds(self) -> float:
        return time.monotonic() - self._start

    def left(self) -> float:
        return 0.0 if self.stopped() else max(0.0, self.limits.seconds - self.seconds())

    def rest(self) -> Limits:
        """The same limits for what is left of the time: next to nothing where nothing is."""
        return replace(self.limits, seconds=max(0.001, self.left()))

    def stopped(self) -> bool:
        stop = self.limits.stop
        return self._interrupted or (stop is not None and stop.is_set())

    def interrupt(self) -> None:
        self._interrupted = True

    def report(self, cost: int | None, bound: int | None) -> None:
        if self.limits.progress is not None:
            self.limits.progress(Progress(self.seconds(), cost, bound))


def _import_solvers() -> None:
    """Asking for anything of a package imports it."""
    _ = cp_model.CpModel, mathopt.SolverType, mathopt_core.solve


@contextmanager
def keeping_the_best(clock: Clock) -> Iterator[None]:
    """Ends the block at Ctrl-C without an error, so that the best plan so far is kept."""
    try:
        yield
    except KeyboardInterrupt:
        clock.interrupt()


def _reporter(clock: Clock) -> cp_model.CpSolverSolutionCallback:
    class Reporter(cp_model.CpSolverSolutionCallback):
        def on_solution_callback(self) -> None:
            clock.report(round(self.objective_value), round(self.best_objective_bound))

    return Reporter()


@dataclass(frozen=True)
class CpAnswer:
    """A CP-SAT answer: `value(variable)` is only allowed when `solution` is true."""

    status: Status
    solution: bool
    cost: int | None
    bound: int | None
    seconds: float
    solver: cp_model.CpSolver

    def value(self, variable: Any) -> int:
        return int(self.solver.value(variable))


def run_cp_sat(
    model: cp_model.CpModel, limits: Limits, settings: dict[str, Any] | None = None
) -> CpAnswer:
    """Solves a CP-SAT model within the limits; Ctrl-C and `stop` keep the best solution.

    `settings` are further CP-SAT parameters by name. The bound is rounded up, since every cost is
    a whole number.
    """
    clock = Clock(limits)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = limits.seconds
    solver.parameters.num_workers = limits.threads
    solver.parameters.random_seed = limits.seed
    for name, value in (settings or {}).items():
        setattr(solver.parameters, name, value)
    watcher = _watch(clock, solver)
    try:
        code = solver.solve(model, _reporter(clock))
    finally:
        watcher()
    return _cp_answer(solver, code, clock)


def _watch(clock: Clock, solver: cp_model.CpSolver) -> Callable[[], None]:
    if clock.limits.stop is None:
        return lambda: None
    over = threading.Event()

    def watch() -> None:
        while not over.wait(0.05):
            if clock.stopped():
                solver.stop_search()
                return

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()

    def end() -> None:
        over.set()
        thread.join()

    return end


def _cp_answer(solver: cp_model.CpSolver, code: Any, clock: Clock) -> CpAnswer:
    found = code in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    if code == cp_model.OPTIMAL:
        status = Status.OPTIMAL
    elif code == cp_model.INFEASIBLE:
        status = Status.INFEASIBLE
    elif not found:
        status = Status.NO_PLAN
    else:
        status = Status.STOPPED if clock.stopped() else Status.FEASIBLE
    return CpAnswer(
        status=status,
        solution=found,
        cost=round(solver.objective_value) if found else None,
        bound=_whole_bound(solver.best_objective_bound) if code != cp_model.MODEL_INVALID else None,
        seconds=clock.seconds(),
        solver=solver,
    )


def _whole_bound(bound: float) -> int:
    """The least whole number that is not under the bound, forgiving rounding of a millionth."""
    return -int(-(bound - 1e-6) // 1)


def run_routing(
    ways: Sequence[Sequence[int]],
    loads: Sequence[int],
    room: int,
    given: Sequence[Sequence[int]],
    seconds: float | None = None,
) -> list[list[int]]:
    """Shorter rounds from place 0 by all others, no round loaded over `room`; from those `given`.

    `ways[i][j]` is how far it is; `loads` by place. Downhill to the first local optimum, always the
    same; with `seconds` on from there by guided local search (Voudouris & Tsang 1999).
    """
    many = len(given) + 1
    manager = pywrapcp.RoutingIndexManager(len(ways), many, 0)
    model = pywrapcp.RoutingModel(manager)
    way = model.RegisterTransitMatrix([list(row) for row in ways])
    model.SetArcCostEvaluatorOfAllVehicles(way)
    load = model.RegisterUnaryTransitVector(list(loads))
    model.AddDimension(load, 0, room, True, "load")
    asked = pywrapcp.DefaultRoutingSearchParameters()
    search = routing_enums_pb2.LocalSearchMetaheuristic
    asked.local_search_metaheuristic = search.GREEDY_DESCENT
    if seconds is not None:
        asked.local_search_metaheuristic = search.GUIDED_LOCAL_SEARCH
        asked.time_limit.FromMilliseconds(round(1000 * min(seconds, ROUTING_SECONDS)))
    model.CloseModelWithParameters(asked)
    start = model.ReadAssignmentFromRoutes([*map(list, given), []], True)
    found = model.SolveFromAssignmentWithParameters(start, asked)
    if found is None:
        return [list(walk) for walk in given]
    rounds = []
    for vehicle in range(many):
        at, walk = found.Value(model.NextVar(model.Start(vehicle))), []
        while not model.IsEnd(at):
            walk.append(manager.IndexToNode(at))
            at = found.Value(model.NextVar(at))
        rounds.append(walk)
    return [walk for walk in rounds if walk]


ROUTING_SECONDS = 1.0
"""A day's walks are short: after so long the routing search has found what it will."""


class Engine(StrEnum):
    """Which of the solvers inside OR-Tools takes a linear model?"""

    HIGHS = "highs"
    GLOP = "glop"
    PDLP = "pdlp"
    SCIP = "gscip"
    CP_SAT = "cp_sat"


def run_linear(
    model: LinearModel,
    seconds: float,
    *,
    engine: Engine = Engine.HIGHS,
    relaxed: bool = False,
    interior: bool = False,
    threads: int = 1,
    seed: int = 0,
    gap: float = 0.0,
    hint: Mapping[int, float] | None = None,
    restarts: bool = True,
    presolve: bool = True,
    output: bool = False,
) -> LinearAnswer:
    """Solves a linear model; `relaxed` drops wholeness and gives prices, `hint` is a start.

    Without `restarts`, and without its feasibility jump, HiGHS proves lot-sizing models of some
    hundred batches in half the time (measured); other models are better with them. Without
    `presolve` the relaxation of a dispatch problem takes three quarters of the time.

    `interior` solves a relaxation by the barrier method without crossover: much faster on large
    models with dense rows, exact to about a millionth, which the bound allows for.
    """
    proto = _proto(model, relaxed)
    parameters = mathopt.SolveParameters(
        time_limit=datetime.timedelta(seconds=max(0.01, seconds)),
        threads=None if engine in (Engine.GLOP, Engine.HIGHS) else threads,
        random_seed=seed,
        enable_output=output,
        relative_gap_tolerance=None if relaxed else gap,
    )
    if engine == Engine.HIGHS and not restarts:
        parameters.highs.bool_options["mip_allow_restart"] = False
        parameters.highs.bool_options["mip_heuristic_run_feasibility_jump"] = False
    if not presolve:
        parameters.presolve = mathopt.Emphasis.OFF
    if interior:
        parameters.lp_algorithm = mathopt.LPAlgorithm.BARRIER
        parameters.highs.string_options["run_crossover"] = "off"
    hints = model_parameters_pb2.ModelSolveParametersProto()
    if hint is not None:
        one = hints.solution_hints.add()
        columns = sorted(hint)
        one.variable_values.ids.extend(columns)
        one.variable_values.values.extend(hint[column] for column in columns)
    try:
        with c_output_dropped():
            answer = mathopt_core.solve(
                proto,
                mathopt.SolverType[_TYPES[engine]].value,
                mathopt.StreamableSolverInitArguments().to_proto(),
                parameters.to_proto(),
                hints,
                None,
                mathopt.CallbackRegistration().to_proto(),
                None,
                None,
            )
    except abseil_status.StatusNotOk:
        # the solver gave up without an answer, which is no fault of the model
        return LinearAnswer(None, None, -float("inf"), False)
    found = _linear_answer(model, answer)
    if interior:
        return replace(found, bound=found.bound - 1e-6 * abs(found.bound))
    return found


_TYPES = {
    Engine.HIGHS: "HIGHS",
    Engine.GLOP: "GLOP",
    Engine.PDLP: "PDLP",
    Engine.SCIP: "GSCIP",
    Engine.CP_SAT: "CP_SAT",
}


def _proto(model: LinearModel, relaxed: bool) -> model_pb2.ModelProto:
    proto = model_pb2.ModelProto()
    columns = range(len(model.cost))
    proto.variables.ids.extend(columns)
    proto.variables.lower_bounds.extend(model.low)
    proto.variables.upper_bounds.extend(model.high)
    proto.variables.integers.extend([False] * len(model.cost) if relaxed else model.whole)
    priced = [column for column in columns if model.cost[column]]
    proto.objective.offset = model.constant
    proto.objective.linear_coefficients.ids.extend(priced)
    proto.objective.linear_coefficients.values.extend(model.cost[column] for column in priced)
    proto.linear_constraints.ids.extend(range(len(model.row_low)))
    proto.linear_constraints.lower_bounds.extend(model.row_low)
    proto.linear_constraints.upper_bounds.extend(model.row_high)
    rows = np.asarray(model.entry_row, dtype=np.int64)
    entries = np.asarray(model.entry_column, dtype=np.int64)
    order = np.lexsort((entries, rows))
    matrix = proto.linear_constraint_matrix
    matrix.row_ids.extend(rows[order].tolist())
    matrix.column_ids.extend(entries[order].tolist())
    matrix.coefficients.extend(np.asarray(model.entry_value, dtype=float)[order].tolist())
    return proto


def _linear_answer(model: LinearModel, answer: Any) -> LinearAnswer:
    reason = answer.termination.reason
    bounds = answer.termination.objective_bounds
    values: list[float] | None = None
    objective: float | None = None
    prices: list[float] | None = None
    feasible = solution_pb2.SOLUTION_STATUS_FEASIBLE
    for solution in answer.solutions:
        if values is None and solution.primal_solution.feasibility_status == feasible:
            values = _dense(solution.primal_solution.variable_values, len(model.cost))
            objective = solution.primal_solution.objective_value
            if solution.HasField("dual_solution"):
                prices = _dense(solution.dual_solution.dual_values, len(model.row_low))
    return LinearAnswer(
        values=values,
        objective=objective,
        bound=bounds.dual_bound,
        optimal=reason == result_pb2.TERMINATION_REASON_OPTIMAL,
        prices=prices,
    )


def _dense(sparse: Any, size: int) -> list[float]:
    values = [0.0] * size
    for at, value in zip(sparse.ids, sparse.values, strict=True):
        values[at] = value
    return values
