"""The lead's week over the API: bench map, rota, rounds, glut, materials, plugs held cold."""

from dataclasses import fields
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest

import api.trace
from api.ids import global_id
from nursery.access import Role
from nursery.database import Database
from nursery.planning.bench_map import bench_map
from nursery.promising.promise import confirm, reserve
from nursery.shed import trace as traces
from nursery.week.glut import glut_advice
from nursery.week.materials import call_off
from nursery.week.rota import people_in
from nursery.weeks import Week
from tests.api.shop import MONDAY
from tests.api.test_day_book_api import DONE, Nursery
from tests.builders import crop_named, ready_lot
from tests.nursery.test_bench_map import on_bench
from tests.nursery.test_week_sheet import accepted
from tests.shop import HERE, caltha

CALTHA = "Caltha palustris"
WEEK = Week.of(MONDAY)
SOLD_BY = MONDAY + timedelta(days=6)


@pytest.fixture
def nursery(db: Database) -> Nursery:
    """A batch to be moved, a start to be made, and a lot that nobody takes in time."""
    made = Nursery(db)
    with db.writing() as session:
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 100, MONDAY - timedelta(days=7), SOLD_BY, "OLD")
        on_bench(session, "NEW", 6, "Mist house 1", MONDAY - timedelta(days=22))
        accepted(session, crop, WEEK, 5)
    return made


def test_the_bench_map_over_the_api_is_the_nurserys_own(nursery: Nursery, db: Database) -> None:
    document = """query ($week: Week!) { benchMap(week: $week) {
      ... on BenchMap { week stands inOneBlock short { places } notes
        benches { bench places cleaningDays
          slots { batchCode plannedWeek crop stage trays firstPlace lastPlace enters: entersOn
                  leavesOn standing } } }
      ... on Refusal { code message } } }"""
    found = nursery.ask(document, week=str(WEEK))
    with db.reading() as session:
        own = bench_map(session, WEEK)
    slots = [(b["bench"], s) for b in found["benches"] for s in b["slots"]]
    assert [(bench, s["batchCode"], s["firstPlace"], s["lastPlace"]) for bench, s in slots] == [
        (s.bench, s.what.batch, s.first_place, s.last_place) for s in own.slots
    ]
    assert ("Mist house 1", True) in {(bench, s["standing"]) for bench, s in slots}
    assert any(s["plannedWeek"] == str(WEEK) and s["trays"] == 5 for _, s in slots)
    assert (found["stands"], found["inOneBlock"]) == (own.stands, own.in_one_block)
    past = nursery.ask(document, week="2027-W02")
    assert (past["code"], "this week and later" in past["message"]) == ("INVALID", True)


def test_the_rota_over_the_api_gives_out_every_line_with_its_hours(
    nursery: Nursery, db: Database
) -> None:
    document = """query ($week: Week!, $person: String) { rota(week: $week, person: $person) {
      ... on Rota { cautions forecastUntil notGivenOut { what why }
        hours { person minutes there overtime }
        days { person day minutes there lines { line what batchCode comeFrom goTo trays plugs
               minutes others part } } }
      ... on Refusal { code message } } }"""
    found = nursery.ask(document, week=str(WEEK))
    lines = [line for day in found["days"] for line in day["lines"]]
    assert {line["line"] for line in lines} - {""} == set(nursery.lines())
    (move,) = [ln for ln in lines if (ln["batchCode"], ln["what"]) == ("NEW", "move")]
    assert (move["what"], move["trays"], move["plugs"]) == ("move", 6, 624)
    assert move["comeFrom"].startswith("Mist house 1, places")
    with db.reading() as session:
        there = [(worker.key, list(worker.minutes)) for worker in people_in(session, WEEK)]
    assert [(row["person"], row["there"]) for row in found["hours"]] == there
    for day in found["days"]:
        assert day["minutes"] == sum(line["minutes"] for line in day["lines"])
    assert any("local rules" in caution.lower() for caution in found["cautions"])
    keep = """mutation ($week: Week!) { keepRota(week: $week) {
      ... on Rota { keptAt since days { person day lines { line what } } }
      ... on Refusal { code message next } } }"""
    kept = nursery.ask(keep, week=str(WEEK))
    assert kept["keptAt"] and kept["since"] == 0
    shown = nursery.ask(keep.replace("mutation", "query").replace("keepRota", "rota"),
                        week=str(WEEK))  # fmt: skip
    assert shown == kept
    assert nursery.ask(keep, Role.PACKER, week=str(WEEK))["code"] == "FORBIDDEN"
    assert nursery.ask(keep, week="2026-W09")["code"] == "INVALID"
    nobody = nursery.ask(document, week=str(WEEK), person="Zoe")
    assert nobody["code"] == "INVALID" and "Ada" in nobody["message"]


def test_the_rounds_of_a_week_and_what_is_watered_before_packing(
    nursery: Nursery, db: Database
) -> None:
    with db.writing() as session:
        promise = reserve(session, "R-1", caltha(2), HERE, date(2027, 3, 3), "Van", "shop")
        confirm(session, promise.id or 0, "shop")
    found = nursery.ask(
        """query ($week: Week!) { rounds(week: $week) { ... on Rounds { minutes
          rounds { name day minutes persons assumed }
          watering { packOn waterOn plugs stops { batchCode plugs } } } } }""",
        week=str(WEEK),
    )
    walks = [one for one in found["rounds"] if one["name"] == "pest walk: slugs"]
    assert [one["day"] for one in walks] == ["2027-03-01", "2027-03-04"]
    assert all(one["assumed"] for one in walks)
    assert found["minutes"] == sum(one["minutes"] * one["persons"] for one in found["rounds"])
    (list_,) = found["watering"]
    assert (list_["packOn"], list_["waterOn"]) == ("2027-03-03", "2027-03-02")
    assert list_["stops"] == [{"batchCode": "OLD", "plugs": 12}]


def test_materials_and_glut_are_told_as_the_nursery_tells_them(
    nursery: Nursery, db: Database
) -> None:
    document = """query ($weeks: Int!) { materials(weeks: $weeks) {
      ... on Materials { materials { name unit used total inStock orderBy order assumed } }
      ... on Refusal { code field } } }"""
    found = nursery.ask(document, weeks=8)["materials"]
    advice = nursery.ask("""{ glut { ... on Glut { advice {
      batchCode lotId plugs lastSaleOn discountFrom potOnBy discardOn holdUntil } } } }""")
    with db.reading() as session:
        own = call_off(session, 8)
        (glut,) = glut_advice(session, MONDAY)
    assert [(one["name"], one["total"]) for one in found] == [(one.name, one.total) for one in own]
    trays = next(one for one in found if one["name"] == "trays 104")
    assert (trays["used"][0], trays["inStock"], len(trays["used"])) == (5, None, 8)
    assert nursery.ask(document, weeks=0) == {"code": "INVALID", "field": "weeks"}
    (one,) = advice["advice"]
    assert (one["batchCode"], one["plugs"]) == ("OLD", glut.plugs)
    assert (one["lotId"], one["discardOn"]) == (global_id("Lot", glut.lot_id), "2027-03-08")


def test_plugs_are_held_cold_once_and_that_is_taken_back(nursery: Nursery, db: Database) -> None:
    with db.reading() as session:
        (glut,) = glut_advice(session, MONDAY)
    lot = global_id("Lot", glut.lot_id)
    wanted = f'lotId: "{lot}", days: 10, storeC: 7, reason: "glut"'
    done = nursery.do("holdCold", wanted, key="one")
    assert nursery.do("holdCold", wanted, key="one") == done
    (entry,) = done["entries"]
    assert (entry["action"], entry["batchCode"], entry["plugs"]) == ("HELD_COLD", "OLD", 100)
    assert last_sale(nursery) == "2027-03-17"
    assert nursery.do("holdCold", wanted)["code"] == "HELD_LONG_ENOUGH"
    warm = nursery.do("holdCold", wanted.replace("7", "21"))
    assert (warm["code"], warm["field"]) == ("NOT_COLD", "storeC")
    back = nursery.do("undo", f'id: "{entry["id"]}", reason: "the store is broken"')
    assert back["entries"][0]["undoes"] == entry["id"]
    assert last_sale(nursery) == SOLD_BY.isoformat()
    assert [line["action"] for line in nursery.book()] == ["HELD_COLD", "HELD_COLD"]
    held = """{ trace(batchCode: "OLD") { ... on Trace { coldHolds {
      lotId days storeC lastSaleBefore lastSaleAfter decidedBy reason withdrawnAt } } } }"""
    (hold,) = nursery.ask(held)["coldHolds"]
    assert (hold["lotId"], hold["days"], hold["storeC"]) == (lot, 10, 7)
    assert (hold["lastSaleBefore"], hold["lastSaleAfter"]) == (SOLD_BY.isoformat(), "2027-03-17")
    assert (hold["decidedBy"], hold["reason"]) == ("the lead", "glut")
    assert hold["withdrawnAt"] is not None


def test_a_batchs_story_over_the_api_leaves_out_nothing_that_the_command_shows() -> None:
    for own, given in (
        (traces.Trace, api.trace.Trace),
        (traces.ColdRow, api.trace.ColdRow),
        (traces.OrderTouched, api.trace.OrderTouched),
    ):
        assert {each.name for each in fields(own)} == {each.name for each in fields(given)}  # type: ignore[arg-type]


def last_sale(nursery: Nursery) -> Any:
    found = nursery.ask('{ trace(batchCode: "OLD") { ... on Trace { lots { lastSaleOn } } } }')
    return found["lots"][0]["lastSaleOn"]


@pytest.mark.parametrize("role", [Role.SHOP, Role.PACKER])
def test_the_week_is_the_leads(nursery: Nursery, role: Role) -> None:
    week = f'(week: "{WEEK}")'
    for root in (f"benchMap{week}", f"rota{week}", f"rounds{week}", "materials", "glut"):
        answer = nursery.ask(f"{{ {root} {{ ... on Refusal {{ code }} }} }}", role)
        assert answer == {"code": "FORBIDDEN"}
    given = f'key: "{uuid4().hex}", lotId: "x", days: 1, storeC: 7'
    answer = nursery.ask(f"mutation {{ holdCold({given}) {{ {DONE} }} }}", role)
    assert answer["code"] == "FORBIDDEN"
