"""Worker processes: they answer, tell an error, and are gone afterwards."""

from __future__ import annotations

import numpy as np
import pytest

from solver.propagation.tasks import Prices, price, start
from solver.workers import WorkerError, Workers
from tests.solver.propagation.cases import small, wagner_whitin


def _free(problem_weeks: int, areas: int) -> Prices:
    none = np.zeros(problem_weeks)
    return Prices(np.zeros((areas, problem_weeks)), none, none, {})


def test_two_workers_answer_what_this_process_would_say() -> None:
    problem = wagner_whitin()
    prices = _free(12, 1)
    with Workers("solver.propagation.tasks", problem, 2) as workers:
        workers.give("first", "price", 0, prices, 5.0, True)
        workers.give("second", "price", 0, prices, 5.0, False)
        assert workers.idle() == 0
        answers = {}
        while workers.busy():
            answers.update(dict(workers.take(10.0)))
    here = price(start(problem), 0, prices, 5.0, True)
    assert answers["first"].floor.least == pytest.approx(here.floor.least) == pytest.approx(864)
    assert answers["second"].floor.least <= answers["first"].floor.least + 1e-6


def test_an_error_in_a_worker_is_told_with_its_words() -> None:
    with Workers("solver.propagation.tasks", small(1), 1) as workers:
        workers.give("odd", "price", 99, _free(5, 2), 1.0, True)
        with pytest.raises(WorkerError, match="IndexError"):
            while True:
                workers.take(10.0)
    assert workers.busy() == workers.idle() == 0


def test_more_tasks_than_workers_are_refused() -> None:
    with Workers("solver.propagation.tasks", small(1), 1) as workers:
        workers.give("one", "relax", None, [], 5.0)
        with pytest.raises(WorkerError, match="No worker is idle"):
            workers.give("two", "relax", None, [], 5.0)
