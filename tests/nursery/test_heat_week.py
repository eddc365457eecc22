"""Two weeks of New York's heat of 2013, lived through on a database: a small `heat_week`."""

from pathlib import Path

from tests.benchmarks.heat_week import arguments, run


def test_in_a_heat_week_fewer_parcels_meet_heat_than_the_stated_risk_allows(tmp_path: Path) -> None:
    """Real days of Seattle, New York and Clemson, 20 May to 5 June 2013; 34 °C in New York on the
    30th. Monday to Wednesday without a hold sends the same orders into the heat."""
    given = "--first 2013-05-20 --days 17 --orders 6 --seconds 0.2"
    *lines, found = run(arguments(given.split()), tmp_path)
    assert found["parcels"] >= 20
    assert found["over"] <= found["allowed_by_the_risk"] + 2 * found["binomial_error"]
    assert found["over"] < found["rules_of_thumb"]["monday_to_wednesday_same_orders"]["over"]
    moved = [line for line in lines if line["kind"] == "moved"]
    assert moved and all(line["days"] > 0 for line in moved)
    assert {line["reason"] for line in moved} == {"It would be too hot for the plants on the way."}
    assert found["told_once"] >= found["moved"] - 1  # a second heat may move a promise again
    assert sum(line["parcels"] for line in lines if line["kind"] == "day") == found["parcels"]
