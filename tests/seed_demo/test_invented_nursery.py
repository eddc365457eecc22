"""The demo's invented nursery is plausible, feasible in its own terms, and the same each time."""

from collections import Counter
from datetime import date, timedelta

import numpy as np
import pytest

from nursery.calendars import public_holidays
from nursery.crop import Method
from nursery.weeks import Week
from nursery.workbook.specification import BY_NAME
from seed_demo.nursery_data import AREAS, STATIONS, TODAY, ZONES
from seed_demo.sheets import Rows
from seed_demo.stock import VETOED
from seed_demo.tables import tables


@pytest.fixture(scope="module")
def rows() -> Rows:
    return tables(seed=1)


def test_the_same_seed_makes_the_same_nursery_and_another_seed_another(rows: Rows) -> None:
    assert tables(seed=1) == rows
    other = tables(seed=2)
    assert other["Weather"] != rows["Weather"]
    assert other["Order lines"] != rows["Order lines"]


def test_every_row_uses_the_headings_of_its_sheet_and_no_key_comes_twice(rows: Rows) -> None:
    for name, lines in rows.items():
        sheet = BY_NAME[name]
        assert lines, name
        assert {heading for row in lines for heading in row} <= set(sheet.headings)
        keys = [sheet.key_of(row) for row in lines]
        assert len(set(keys)) == len(keys), name


def test_twenty_crops_are_raised_by_five_methods_in_four_areas(rows: Rows) -> None:
    assert len(rows["Crops"]) == 20
    assert {row["Method"] for row in rows["Protocols"]} == {
        Method.DIVISION,
        Method.SEED,
        Method.CUTTING,
        Method.ROOT_CUTTING,
        Method.TISSUE_CULTURE,
    }
    assert len(rows["Areas"]) == 4
    assert (len(rows["Services"]), len(rows["Zones"]), len(rows["Orders"])) == (3, 6, 400)


def test_the_nursery_posts_nothing_to_the_united_kingdom(rows: Rows) -> None:
    assert {"GB", "UK"}.isdisjoint(row["Country"] for row in rows["Orders"])


def test_it_posts_within_three_neighbouring_countries_whose_easter_holidays_differ() -> None:
    assert {zone.country for zone in ZONES} == {"NL", "BE", "DE"}
    good_friday = date(2027, 3, 26)  # Easter Sunday 2027 is 28 March (Gregorian computus)
    closed = {
        zone.country for zone in ZONES if good_friday in public_holidays(zone.holiday_region, 2027)
    }
    assert closed == {"DE"}
    assert TODAY.weekday() == 0 and Week.of(TODAY) == Week.of(good_friday)


def test_two_years_of_weather_are_complete_and_no_day_is_upside_down(rows: Rows) -> None:
    by_station: dict[object, list[date]] = {}
    for row in rows["Weather"]:
        assert isinstance(row["Day"], date)
        assert isinstance(row["Minimum"], float) and isinstance(row["Maximum"], float)
        assert row["Minimum"] < row["Maximum"]
        by_station.setdefault(row["Station"], []).append(row["Day"])
    assert set(by_station) == {place.name for place in STATIONS}
    for days in by_station.values():
        assert (len(days), days[-1]) == (730, TODAY - timedelta(days=1))


def test_the_weather_of_a_day_resembles_the_day_before_and_the_season(rows: Rows) -> None:
    home = [row for row in rows["Weather"] if row["Station"] == STATIONS[0].name]
    mean = np.array([(row["Minimum"] + row["Maximum"]) / 2 for row in home])  # type: ignore[operator]
    month = np.array([row["Day"].month for row in home])  # type: ignore[union-attr]
    assert mean[month == 7].mean() - mean[month == 1].mean() > 10
    assert np.corrcoef(np.diff(mean[:-1]), np.diff(mean[1:]))[0, 1] < 0.3
    assert np.corrcoef(mean[:-1], mean[1:])[0, 1] > 0.9


def test_normals_lie_near_the_means_of_the_observed_days(rows: Rows) -> None:
    for normal in rows["Normals"]:
        days = [
            row["Minimum"]
            for row in rows["Weather"]
            if row["Station"] == normal["Station"] and row["Day"].month == normal["Month"]  # type: ignore[union-attr]
        ]
        assert abs(float(np.mean(days)) - float(normal["Minimum"])) < 2.5  # type: ignore[arg-type]


def test_no_bench_holds_more_trays_than_it_has_places(rows: Rows) -> None:
    places = {row["Name"]: row["Places"] for row in rows["Benches"]}
    standing = Counter[object]()
    for batch in rows["Batches"]:
        standing[batch["Bench"]] += int(batch["Trays"])  # type: ignore[arg-type]
    del standing[None]  # on order: with the supplier
    assert all(standing[bench] <= places[bench] for bench in standing)
    assert sum(standing.values()) > 0.3 * sum(sum(area.benches) for area in AREAS)


def test_work_in_progress_stands_in_every_stage_and_no_tray_holds_more_plugs_than_cells(
    rows: Rows,
) -> None:
    kinds = {(row["Crop"], row["Protocol"], row["Position"]): row["Kind"] for row in rows["Stages"]}
    stages = {kinds[b["Crop"], b["Protocol"], b["Stage"]] for b in rows["Batches"]}
    assert stages == {"on order", "isolation", "strike", "grow on", "harden off"}
    cells = {row["Name"]: row["Cells"] for row in rows["Tray formats"]}
    batches = {row["Code"]: row for row in rows["Batches"]}
    for row in [*rows["Batches"], *rows["Lots"]]:
        batch = batches[row.get("Batch", row.get("Code"))]
        most = int(batch["Trays"]) * int(cells[batch["Tray format"]])  # type: ignore[arg-type]
        assert int(row.get("Counted plugs") or 0) <= most  # type: ignore[arg-type]


def test_one_ready_batch_is_under_a_veto_that_nobody_has_signed_off(rows: Rows) -> None:
    (veto,) = rows["Vetoes"]
    assert veto.get("Signed off by") is None
    batch = next(row for row in rows["Batches"] if row["Code"] == veto["Batch"])
    assert batch["Crop"] == VETOED
    assert veto["Batch"] in {lot["Batch"] for lot in rows["Lots"]}


def test_orders_have_one_to_four_lines_and_a_few_bear_a_gift_date(rows: Rows) -> None:
    lines = Counter(row["Order"] for row in rows["Order lines"])
    assert set(lines.values()) == {1, 2, 3, 4}
    assert set(lines) == {row["Reference"] for row in rows["Orders"]}
    gifts = [
        row
        for row in rows["Orders"]
        if row["Not before"] and row["Not after"] == row["Not before"] + timedelta(days=1)  # type: ignore[operator]
    ]
    assert 5 <= len(gifts) <= 40
    assert any(row["May substitute"] for row in rows["Orders"])


def test_the_mother_plants_of_every_way_yield_at_least_a_smallest_batch_in_a_week(
    rows: Rows,
) -> None:
    cells = {row["Name"]: int(row["Cells"]) for row in rows["Tray formats"]}  # type: ignore[arg-type]
    first_tray = {
        (row["Crop"], row["Protocol"]): cells[str(row["Tray format"])]
        for row in rows["Stages"]
        if row["Position"] == 1
    }
    quota = {
        row["Code"]: int((row["Plants"] - row["Reserve"]) * row["Yield"])  # type: ignore[operator]
        for row in rows["Mother blocks"]
    }
    for row in rows["Protocols"]:
        if row["Mother block"]:
            tray = first_tray[row["Crop"], row["Protocol"]]
            assert quota[row["Mother block"]] >= int(row["Smallest batch"]) * tray  # type: ignore[arg-type]
