"""The walks of the pick sheet: short rounds with a trolley that holds so much."""

from datetime import date

import pytest
from sqlmodel import Session, select

from nursery.database import Database, site
from nursery.growing_area import Bench
from nursery.shed.walks import ToFetch, walks_of
from tests.builders import small_nursery


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, date(2027, 3, 1))
    return db


def placed(session: Session, *places: tuple[float, float]) -> list[Bench]:
    """The nursery's benches, the first of them at these places (metres)."""
    benches = list(session.exec(select(Bench).order_by(Bench.name)))
    for bench, (x, y) in zip(benches, places, strict=False):
        bench.x_m, bench.y_m = x, y
    session.flush()
    return benches


def test_benches_without_a_place_are_walked_in_their_walk_order(shed: Database) -> None:
    with shed.reading() as session:
        benches = list(session.exec(select(Bench)))
        walks, order = walks_of(session, [ToFetch(bench, 52, 104) for bench in benches[:3]])
    assert order == [0, 1, 2]
    assert [(walk.stops, walk.metres, walk.trays) for walk in walks] == [(3, None, 1.5)]


def test_a_walk_goes_up_one_aisle_and_down_the_next_where_that_is_shorter(shed: Database) -> None:
    """Worked by hand: aisles at 0 and 4 m, 20 m long; two picks far back in each."""
    with shed.writing() as session:
        near, a, b, c = placed(session, (0, 0), (0, 18), (4, 18), (4, 20))[:4]
        stops = [ToFetch(bench, 104, 104) for bench in (b, a, c)]
        walks, order = walks_of(session, stops)
    assert order in ([1, 2, 0], [0, 2, 1])
    assert [walk.metres for walk in walks] == [20 + 4 + 20 + 4]
    assert near.name


def test_a_trolley_that_is_full_goes_back_to_the_table(shed: Database) -> None:
    with shed.writing() as session:
        site(session).trolley_trays = 2
        benches = placed(session, (0, 0), (0, 10), (4, 10), (8, 10))[:4]
        stops = [ToFetch(bench, 104, 104) for bench in benches] + [ToFetch(None, 52, 104)]
        walks, order = walks_of(session, stops)
    assert [walk.trays for walk in walks] == [2.0, 2.0, 0.5]
    assert sorted(order) == [0, 1, 2, 3, 4] and order[-1] == 4
    assert walks[-1].metres is None


def test_more_plugs_of_one_stop_than_a_trolley_holds_are_fetched_in_several_trips(
    shed: Database,
) -> None:
    with shed.writing() as session:
        benches = placed(session, (0, 5), (4, 9))
        walks, order = walks_of(session, [ToFetch(benches[0], 104 * 30, 104)])
    assert (order, walks[0].trays, walks[0].metres) == ([0], 30.0, 3 * 2 * 5)


def test_the_same_stops_give_the_same_walks_every_time(shed: Database) -> None:
    with shed.writing() as session:
        site(session).trolley_trays = 3
        benches = placed(session, *((2.0 * (at % 4), 3.0 * at) for at in range(9)))
        stops = [ToFetch(bench, 150, 104) for bench in benches]
        found = [walks_of(session, stops) for _ in range(3)]
    assert found[0] == found[1] == found[2]
