"""The lead's pages in Chromium: on a phone of 360 pixels, by keyboard, and on paper."""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from sqlmodel import select

from nursery.access import Role
from nursery.carrier import ClosedAt, Closure
from nursery.database import Database
from nursery.growing_area import GrowingArea
from nursery.order import PromiseEvent, PromiseLine, Wrap
from nursery.promising.promise import confirm, reserve
from nursery.shading import ShadeSetting
from nursery.week.rota import keep_rota
from nursery.week.week_sheet import set_ready
from nursery.weeks import Week
from solver.run import Limits
from tests.api.server import serving, tokens
from tests.api.shop import MONDAY
from tests.builders import crop_named, ready_lot
from tests.nursery.test_bench_map import on_bench
from tests.nursery.test_week_sheet import accepted
from tests.shop import HERE, caltha

CALM = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
PHONE = {"width": 360, "height": 740}
WEEK = Week.of(MONDAY)
SHIP = date(2027, 3, 3)
"""A Wednesday on which a parcel leaves."""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Debian's Chromium (package chromium), driven by Playwright."""
    if shutil.which("chromium") is None and os.geteuid() == 0 and shutil.which("apt-get"):
        for command in ("update", "install --yes --no-install-recommends chromium"):
            subprocess.run(["apt-get", "-qq", *command.split()], check=True)
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    assert path, "these tests need Chromium: apt-get install chromium"
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=CALM)
        yield browser
        browser.close()


@pytest.fixture
def page(db: Database, chromium: Browser) -> Iterator[Page]:
    """A phone with which the lead has logged in; the nursery has work in its week."""
    secrets = tokens(db)
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 100, MONDAY - timedelta(days=7), MONDAY + timedelta(days=6), "OLD")
        on_bench(session, "MOVES", 6, "Mist house 1", MONDAY - timedelta(days=22))
        on_bench(session, "STAYS", 3, "Mist house 1", MONDAY - timedelta(days=2))
        left = on_bench(session, "LEFT", 2, "Mist house 1", MONDAY - timedelta(days=60))
        set_ready(session, left, 20, "Ada")
        accepted(session, crop, WEEK, 5)
        reserved = reserve(session, "ORDER-1", caltha(2), HERE, SHIP, "Van", "shop")
        confirm(session, reserved.id or 0, "shop")
    keep_rota(db, WEEK, Limits(5.0, threads=1))
    with serving(db) as address:
        opened = chromium.new_context(viewport=PHONE, base_url=address).new_page()
        opened.goto("/login")
        opened.fill("#token", secrets[Role.LEAD])
        opened.click("button")
        yield opened
        opened.context.close()


def boxes(page: Page, selector: str) -> list[dict[str, Any]]:
    """Where on the screen are these, and what do they say?"""
    found: list[dict[str, Any]] = page.eval_on_selector_all(
        selector,
        """all => all.map(one => { const r = one.getBoundingClientRect();
          return { left: r.left, right: r.right, top: r.top, bottom: r.bottom,
                   width: r.width, height: r.height, text: one.textContent.trim() } })""",
    )
    return found


PATHS = [
    "/",
    f"/benches/{WEEK}",
    f"/week/{WEEK}/sheets",
    f"/week/{WEEK}",
    f"/picks/{SHIP}",
    f"/parcels/{SHIP}",
    f"/cards/{SHIP}",
    "/shade",
    "/days",
    "/warnings",
    "/login",
]


@pytest.mark.parametrize("path", PATHS)
def test_nothing_is_wider_than_a_small_phone(page: Page, path: str) -> None:
    answer = page.goto(path)
    assert answer is not None and answer.status == 200
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    for told in boxes(
        page, "caption, th, td, li, p, h1, h2, h3"
    ):  # no word broken letter by letter
        assert told["width"] < 2 or told["height"] < 6 * len(told["text"]) + 60, told["text"]


def test_bars_of_the_bench_map_stand_apart_and_hold_their_labels(page: Page) -> None:
    page.goto(f"/benches/{WEEK}")
    bars = boxes(page, "svg.map a .bar")
    assert len(bars) >= 4
    for one in bars:
        assert one["width"] > 0 and one["height"] >= 15
        assert one["left"] >= 0 and one["right"] <= 360
    for n, one in enumerate(bars):
        for other in bars[n + 1 :]:
            beside = one["right"] <= other["left"] + 2 or other["right"] <= one["left"] + 2
            assert beside or one["bottom"] <= other["top"] or other["bottom"] <= one["top"]
    for name in boxes(page, "svg.map a .name"):
        assert any(
            bar["left"] <= name["left"] and name["right"] <= bar["right"] + 2
            and bar["top"] <= name["top"] + 4 and name["bottom"] <= bar["bottom"] + 4
            for bar in bars
        ), name  # fmt: skip
    heights = [one["height"] for one in boxes(page, "svg.map text")]
    assert min(heights) >= 9


def test_the_bench_map_is_read_without_colour_and_without_eyes(page: Page) -> None:
    page.goto(f"/benches/{WEEK}")
    fills = page.eval_on_selector_all(
        "svg rect, svg line, svg text",
        "all => all.flatMap(o => [getComputedStyle(o).fill, getComputedStyle(o).stroke])",
    )
    assert {re.sub(r'url\("?#(\w+)"?\)', r"\1", fill) for fill in fills} <= {
        "rgb(0, 0, 0)", "rgb(255, 255, 255)", "none", "coming", "cleaned", "out",
    }  # fmt: skip
    for part in ("title", "desc"):
        assert all(page.eval_on_selector_all(
            "svg", f"all => all.map(o => o.querySelector(':scope > {part}').textContent.length)"
        ))  # fmt: skip
    names = page.eval_on_selector_all("svg.map a", "all => all.map(o => o.ariaLabel)")
    lines = [one["text"] for one in boxes(page, "ol.stands li")]
    assert "MOVES, Caltha palustris, strike, Mist house 1, places 1-6: stands there" in names[0]
    assert len(names) <= len(lines)
    for name in names:
        code, when = name.split(",")[0], name.split(": ", 1)[1]
        assert any((code in line or code.startswith("new ")) and when in line for line in lines)


def test_every_bar_is_reached_by_the_tab_key_and_leads_to_its_line(page: Page) -> None:
    page.goto(f"/benches/{WEEK}")
    expected = page.eval_on_selector_all(
        "a, button, input, summary", "all => all.map(o => o.getAttribute('href'))"
    )
    met = []
    for _ in expected:
        page.keyboard.press("Tab")
        met.append(page.evaluate("document.activeElement.getAttribute('href')"))
    assert met == expected
    thick = page.evaluate(
        "getComputedStyle(document.activeElement.querySelector('.bar')).strokeWidth"
    )
    assert thick == "5px"
    page.keyboard.press("Enter")
    line = page.evaluate("document.querySelector('li:target').id")
    assert f"#{line}" == met[-1]


def test_tick_boxes_are_large_enough_for_a_wet_thumb(page: Page) -> None:
    for path in (f"/week/{WEEK}/sheets", f"/week/{WEEK}"):
        page.goto(path)
        ticks = boxes(page, "input[type=checkbox]")
        assert ticks
        assert min(min(one["width"], one["height"]) for one in ticks) >= 44
        page.locator("td input[type=checkbox]").first.check()
        assert page.locator("td input[type=checkbox]").first.is_checked()


def test_a_sheet_says_batch_from_to_trays_plugs_and_minutes(page: Page) -> None:
    page.goto(f"/week/{WEEK}/sheets")
    named = page.locator("strong", has_text=re.compile("^move$"))
    row = page.locator("tr", has_text="MOVES").filter(has=named).first
    said = row.locator("td").evaluate_all(
        """all => all.map(one => {
          const before = getComputedStyle(one, '::before').content
          const label = before === 'none' ? '' : one.dataset.label + ': '
          return label + one.innerText.trim() })"""
    )
    assert said[1].startswith("move\nline M") and said[2] == "MOVES\nCaltha palustris"
    assert said[3] == "From: Mist house 1, places 1-6"
    assert said[4].startswith("To: Long house 1, places ")
    assert said[5:8] == ["Trays: 6", "Plugs: 624", "Minutes: 36"]
    assert "Local rules rule" in page.inner_text("main")


def test_each_sheet_is_printed_on_a_page_of_its_own_without_the_links(page: Page) -> None:
    page.goto(f"/week/{WEEK}/sheets")
    sheets = len(boxes(page, "section.sheet"))
    paper = page.pdf(prefer_css_page_size=True)
    assert sheets >= 2
    assert len(re.findall(rb"/Type\s*/Page\b", paper)) == sheets + 1  # the first is the summary
    page.emulate_media(media="print")
    assert not page.locator("nav").is_visible()
    assert page.locator("thead").first.is_visible()
    page.goto(f"/benches/{WEEK}")
    cut = page.eval_on_selector_all(
        "section.bench", "all => all.map(o => getComputedStyle(o).breakInside)"
    )
    assert set(cut) == {"avoid"}


def test_a_pick_says_its_place_batch_and_plugs_on_a_phone_and_is_black_on_white_on_paper(
    page: Page,
) -> None:
    page.goto(f"/picks/{SHIP}")
    row = page.locator("table.stack tbody tr").first
    said = row.inner_text()
    assert all(word in said for word in ("OLD", "12", "CP-6"))
    assert "Parcel" in page.inner_text("main")
    assert not page.locator("td.tick").first.is_visible()  # a box to tick is for paper
    page.emulate_media(media="print")
    assert not page.locator("nav").is_visible() and not page.locator("form").first.is_visible()
    assert page.locator("td.tick .tickbox").first.is_visible()
    assert not page.locator("td form").first.is_visible()
    assert page.locator("thead").first.is_visible()
    assert b"/Page" in page.pdf(prefer_css_page_size=True)
    for path in PATHS:
        page.goto(path)
        colours = page.eval_on_selector_all(
            "body *:not(svg *)",
            """all => all.flatMap(o => { const s = getComputedStyle(o);
              return [s.color, s.backgroundColor, s.borderTopColor] })""",
        )
        assert set(colours) <= {"rgb(0, 0, 0)", "rgb(255, 255, 255)", "rgba(0, 0, 0, 0)"}, path


def test_a_parcel_goes_from_the_bench_to_the_van_by_thumb_and_by_key(
    page: Page, db: Database
) -> None:
    with db.writing() as session:
        session.add(Wrap(name="foil", water_g=90, minimum_water_g=30, cost_cents=900))
    page.goto(f"/picks/{SHIP}")
    for one in boxes(page, "form.record button, form.record input:not([type=hidden]), select"):
        assert one["height"] >= 44 and one["right"] <= PHONE["width"]
    stop = page.locator("form.record").first
    stop.locator("input[name=found]").fill("7")
    stop.locator("select").select_option("wilted or damaged")
    stop.locator("button").click()
    told = page.locator("[role=status]").inner_text()
    assert "OLD: 7 of 12 plugs picked." in told
    assert "Order ORDER-1 lacks 5 plugs: take 5 from LEFT (Mist house 1)." in told
    with db.reading() as session:
        lines = [line.picked for line in session.exec(select(PromiseLine))]
        why = session.exec(select(PromiseEvent).where(PromiseEvent.kind == "short")).one().detail
    assert lines == [7] and why["reason"] == "wilted or damaged"
    parcel = page.locator("article").inner_text()  # whole, although seven are picked
    assert "12 (7 picked)" in parcel and "7 of OLD, 5 of LEFT" in parcel
    page.locator("form.record input[name=found]").press("Enter")
    page.wait_for_url(f"**/picks/{SHIP}?done=*")
    assert "Nothing is left to pick" in page.inner_text("main")
    page.get_by_role("link", name="Parcels").click()
    parcel = page.locator("article").inner_text()
    assert "7 of OLD, 5 of LEFT" in parcel and "12 (all picked)" in parcel
    for one in boxes(page, "select"):
        assert one["height"] >= 44 and one["right"] <= PHONE["width"]
    wraps = page.get_by_label("CP-6 packed in")
    assert wraps.input_value() == "moss and paper"  # the slip's own stands chosen
    wraps.focus()
    page.keyboard.type("foil")
    page.fill("input[name=checked]", "Mo")
    page.get_by_role("button", name="Packed").click()
    assert "ORDER-1 is packed: CP-6 in foil." in page.locator("[role=status]").inner_text()
    with db.reading() as session:
        packed = session.exec(select(PromiseEvent).where(PromiseEvent.kind == "packed")).one()
    assert packed.detail["wraps"] == {"CP-6": "foil"}
    assert "Checked by Mo" in page.locator("article").inner_text()
    page.fill("input[name=tracking]", "3S 12")
    page.get_by_role("button", name="Handed over").click()
    assert "Order ORDER-1: 3S 12" in page.inner_text("main")
    assert "1 gone" in page.inner_text("main")


def test_the_rota_is_levelled_by_a_key_and_then_stays(page: Page) -> None:
    page.goto(f"/week/{WEEK + 1}/sheets")
    assert "not yet levelled" in page.inner_text("main")
    page.locator("form button").focus()
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "Levelled" in page.inner_text("main") and page.url.endswith(f"/week/{WEEK + 1}/sheets")
    before = page.inner_text("main")
    page.reload()
    assert page.inner_text("main") == before


def test_each_parcel_has_its_slip_and_the_cards_of_its_plants_on_one_sheet_of_paper(
    page: Page, db: Database
) -> None:
    with db.writing() as session:
        again = reserve(session, "ORDER-2", caltha(1), HERE, SHIP, "Van", "shop")
        confirm(session, again.id or 0, "shop")
    page.goto(f"/cards/{SHIP}")
    parcels = boxes(page, "section.parcel")
    assert [one["text"].split(",")[0] for one in parcels] == ["Order ORDER-1", "Order ORDER-2"]
    for one, holds in zip(parcels, ("2 × Caltha", "1 × Caltha"), strict=True):
        assert holds in one["text"]
        assert all(word in one["text"] for word in ("NL 1011 AB", "Unwrap", "Shade", "Pests"))
    page.emulate_media(media="print")
    assert not page.locator("nav").is_visible() and not page.locator("h1").is_visible()
    paper = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", paper)) == 2
    page.goto("/cards/2027-03-07")
    assert "Nothing is left to pack for this day" in page.inner_text("main")


def test_the_shade_calendar_is_read_by_keyboard_without_colour_and_without_eyes(
    page: Page, db: Database
) -> None:
    with db.writing() as session:
        row = session.exec(select(GrowingArea).where(GrowingArea.name == "Frames")).one()
        row.shade_c = 2.0
        session.add(ShadeSetting(area_id=row.id or 0, limit_c=18.0, most_layers=3))
    page.goto("/shade")
    section = page.locator("section", has=page.locator("h2", has_text="Frames"))
    lines = section.locator("ol.stands li").all_inner_texts()
    names = section.locator("svg a").evaluate_all("all => all.map(o => o.ariaLabel)")
    assert len(lines) >= 2 and names == [f"{n}. {said}" for n, said in enumerate(lines, start=1)]
    assert "put on layer" in lines[0] and "take off layer" in lines[-1]
    fills = page.eval_on_selector_all(
        "svg rect, svg line, svg text, svg path, svg polyline",
        "all => all.flatMap(o => [getComputedStyle(o).fill, getComputedStyle(o).stroke])",
    )
    plain = {re.sub(r'url\("?#(\w+)"?\)', r"\1", fill) for fill in fills}
    assert plain <= {"rgb(0, 0, 0)", "rgb(255, 255, 255)", "none", "on"}
    assert min(one["height"] for one in boxes(page, "svg.map text")) >= 9
    section.locator("svg a").first.focus()
    page.keyboard.press("Enter")
    assert page.locator("li:target").inner_text() == lines[0]


def test_the_days_ahead_are_read_on_a_phone_and_say_which_promise_must_move(
    page: Page, db: Database
) -> None:
    """A strike closes the day of the one promise; nothing is told by colour, no line is cut."""
    page.goto("/days")
    assert "Every promise stands on a day that is open to it" in page.inner_text("main")
    with db.writing() as session:
        strike = Closure(
            closed_at=ClosedAt.ORIGIN, first_day=SHIP, last_day=SHIP, reason="the yard is paved"
        )
        session.add(strike)
    page.reload()
    told = page.inner_text("main")
    assert "Order ORDER-1, Wed 2027-03-03: the yard is paved" in told
    (row,) = [one for one in boxes(page, "tbody tr") if "Wed 2027-03-03" in one["text"]][:1]
    assert "Nothing leaves: the yard is paved" in row["text"]
    assert row["right"] <= PHONE["width"]
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/days?days=42")
    assert len(boxes(page, "table[aria-label='Ship days and zones'] tbody tr")) == 42
