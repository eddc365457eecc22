"""Two planners at once: one plan is followed, and the other planner is told so."""

import threading
from concurrent.futures import ThreadPoolExecutor

from sqlmodel import col, select

from nursery.database import Database
from nursery.errors import Refused
from nursery.planned import PlanVersion
from nursery.planning.propagation import accept_plan, plan_propagation
from tests.nursery.test_plan_from_rows import QUICK, WEEKS, busy_nursery


def test_of_two_plans_accepted_at_once_the_second_is_told_that_it_is_outdated(
    either_db: Database,
) -> None:
    with either_db.writing() as session:
        busy_nursery(session)
    versions = [plan_propagation(either_db, WEEKS, QUICK, who).version for who in ("Lea", "Ada")]
    both = threading.Barrier(2)

    def accept(version: int) -> str:
        both.wait(60)
        try:
            with either_db.writing() as session:
                accept_plan(session, version, "Lea")
        except Refused as refused:
            return refused.refusal.code
        return "accepted"

    with ThreadPoolExecutor(2) as pool:
        told = list(pool.map(accept, versions))
    assert sorted(told) == ["accepted", "plan_overtaken"]
    with either_db.reading() as session:
        followed = select(PlanVersion).where(col(PlanVersion.accepted_at).is_not(None))
        assert [row.version for row in session.exec(followed)] == [versions[told.index("accepted")]]
