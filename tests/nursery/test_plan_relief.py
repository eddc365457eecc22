"""What would help where a plan leaves plugs unmet: said in words, given, and solved again."""

from dataclasses import replace

import pytest

from nursery.database import Database
from nursery.errors import Refused
from nursery.mother_plant import MotherBlock
from nursery.planning.plan_relief import StoredProblem, read_plan, shortest, what_would_help
from nursery.planning.propagation import plan_propagation
from nursery.weeks import Week
from solver.propagation import Mother, breakdown, solve
from solver.run import Limits
from tests.builders import crop_named
from tests.nursery.test_plan_from_rows import CALTHA, QUICK, WEEKS, busy_nursery


def _with_few_mother_plants(db: Database) -> StoredProblem:
    with db.writing() as session:
        busy_nursery(session)
        crop = crop_named(session, CALTHA)
        block = MotherBlock(code="M1", crop_id=crop.id or 0, plants=0, propagules_a_week=5)
        session.add(block)
        session.flush()
        crop.protocols[0].mother_block_id = block.id
    plan_propagation(db, WEEKS, QUICK, "Lea")
    with db.reading() as session:
        return read_plan(session, 1)


def test_more_cuttings_help_where_the_mother_plants_are_too_few_and_the_gain_is_found(
    db: Database,
) -> None:
    at = _with_few_mother_plants(db)
    short = [key for key in shortest(at, 99) if key[1] >= Week.parse("2027-W24")]
    assert short
    found = what_would_help(at, *short[0], seconds=0.5)
    assert found.binding == "mother"
    assert f"{found.amount} more propagules" in found.told
    assert found.found > 0
    assert 0 < found.met <= found.plugs
    # given to everybody, and solved again as a whole: at least as good as what was said
    given = replace(
        at.problem,
        mothers=tuple(
            Mother(m.key, tuple(n + found.amount for n in m.quota)) for m in at.problem.mothers
        ),
    )
    better = solve(given, Limits(4.0, threads=1))
    assert better.cost is not None and at.plan.cost is not None
    assert better.cost <= at.plan.cost - found.found
    index = at.horizon.index(short[0][1])
    before = breakdown(at.problem, at.plan).unmet.get((short[0][0], index), 0)
    after = breakdown(given, better.found()).unmet.get((short[0][0], index), 0)
    assert after < before


def test_an_unknown_crop_a_week_outside_and_a_demand_met_in_time_are_refused_in_one_sentence(
    db: Database,
) -> None:
    at = _with_few_mother_plants(db)
    crop, week = shortest(at, 1)[0]
    with pytest.raises(Refused, match="There is no crop 'Calla'"):
        what_would_help(at, "Calla", week)
    with pytest.raises(Refused, match="not in the plan, which goes from"):
        what_would_help(at, crop, Week.parse("2031-W01"))
    met = next(w for w in at.horizon.all_weeks() if (crop, w) not in set(shortest(at, 10**6)))
    with pytest.raises(Refused, match="in time"):
        what_would_help(at, crop, met)
