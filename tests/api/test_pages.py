"""The packer's and the lead's pages: plain HTML, without scripts, for paper as well."""

import re
from collections.abc import Iterator
from datetime import timedelta
from html.parser import HTMLParser

import httpx
import pytest
from sqlmodel import select

from nursery.access import Role
from nursery.database import Database
from nursery.order import PromiseLine
from nursery.stock import Moved, Movement
from nursery.week.warnings import warnings
from tests.api.server import serving, tokens
from tests.api.shop import MONDAY, Shop
from tests.builders import crop_named, ready_lot

VOID = {"meta", "link", "input", "br"}


class Page(HTMLParser):
    """What a reader of HTML finds in a page; fails on tags that are not closed in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self.labelled: list[bool] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if tag == "input" and found.get("type") != "hidden":
            self.labelled.append("label" in self.open or "aria-label" in found or "id" in found)
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


@pytest.fixture
def browser(db: Database) -> Iterator[httpx.Client]:
    """A browser that nobody has logged in with; `secrets` has the tokens."""
    secrets = tokens(db)
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        ready = MONDAY - timedelta(days=7)
        ready_lot(session, crop, 200, ready, MONDAY + timedelta(days=40), "<B> & 1")
    with serving(db) as address:
        shop = Shop(address, secrets[Role.SHOP])
        shop.do("confirm", shop.reserve("W-1", 20)["id"])
        shop.close()
        with httpx.Client(base_url=address, follow_redirects=True, timeout=60) as client:
            client.headers["x-secrets"] = ",".join(secrets[role] for role in Role)
            yield client


def log_in(browser: httpx.Client, role: Role, to: str = "/") -> httpx.Response:
    secret = browser.headers["x-secrets"].split(",")[list(Role).index(role)]
    return browser.post("/login", data={"token": secret, "next": to})


def test_a_packer_logs_in_and_gets_the_sheet_that_was_asked_for(browser: httpx.Client) -> None:
    form = browser.get("/picks/2027-03-03")
    assert (form.url.path, form.status_code) == ("/login", 200)
    assert ("input", "next", "/picks/2027-03-03") in [
        (tag, found.get("name"), found.get("value")) for tag, found in Page(form.text).tags
    ]
    page = log_in(browser, Role.PACKER, "/picks/2027-03-03")
    assert page.url.path == "/picks/2027-03-03"
    words = Page(page.text).words
    for word in ("Wednesday 2027-03-03", "Order W-1", "1011AB", "1 tray + 16", "<B> & 1"):
        assert word in words
    assert "<B>" not in page.text


def test_the_pages_work_without_scripts_and_without_anything_from_elsewhere(
    browser: httpx.Client,
) -> None:
    log_in(browser, Role.LEAD)
    for path in ("/", "/login", "/picks/2027-03-03", "/week/2027-W14", "/picks/none"):
        answer = browser.get(path)
        page = Page(answer.text)
        assert {tag for tag, _ in page.tags} & {"script", "img", "iframe", "style"} == set()
        links = [found.get("href") or "" for tag, found in page.tags if tag in ("a", "link")]
        assert all(link.startswith("/") for link in links)
        assert all(page.labelled)
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["cache-control"] == "no-store"
        assert ("html", {"lang": "en"}) in page.tags


def test_the_sheet_prints_black_on_white_on_a4_in_large_letters(browser: httpx.Client) -> None:
    style = browser.get("/style.css").text
    assert "size: A4" in style
    assert set(re.findall(r"#[0-9a-f]{3,6}", style)) == {"#000", "#fff"}
    sizes = [float(size) for size in re.findall(r"(\d+)pt", style)]
    assert min(sizes) >= 12


def test_a_print_is_numbered_and_the_next_one_is_another(browser: httpx.Client) -> None:
    assert "a draft" in log_in(browser, Role.PACKER, "/picks/2027-03-03").text
    assert "Print 1." in browser.post("/picks/2027-03-03/print").text
    assert "Print 2." in browser.post("/picks/2027-03-03/print").text
    assert "Print 2." in browser.get("/picks/2027-03-03").text


def test_the_lead_reads_the_week_and_the_packer_may_not(browser: httpx.Client) -> None:
    log_in(browser, Role.PACKER)
    refused = browser.get("/week/2027-W14")
    assert refused.status_code == 403
    assert "This is for the lead" in refused.text
    log_in(browser, Role.LEAD)
    page = browser.get("/week/2027-W14")
    assert page.status_code == 200
    assert "2027-04-05 to 2027-04-11" in Page(page.text).words
    assert "discard or pot on" in page.text


def test_the_lead_reads_the_days_ahead_and_too_many_are_refused_in_words(
    browser: httpx.Client,
) -> None:
    log_in(browser, Role.PACKER)
    assert browser.get("/days").status_code == 403
    log_in(browser, Role.LEAD)
    words = Page(browser.get("/days").text).words
    assert "Wed 2027-03-03" in words and "Nothing leaves: closed on Saturdays" in words
    for many in ("0", "999", "-1", "two", "9" * 40, "²"):
        refused = browser.get("/days", params={"days": many})
        assert refused.status_code == 404 and "must be 1 to 120" in refused.text


def test_the_lead_reads_what_to_look_at_and_by_when(browser: httpx.Client, db: Database) -> None:
    log_in(browser, Role.PACKER)
    assert browser.get("/warnings").status_code == 403
    log_in(browser, Role.LEAD)
    words = " ".join(Page(browser.get("/warnings").text).words.split())
    with db.reading() as session:
        found = warnings(session)
    assert found
    for one in found:
        for told in (one.thing, one.text, one.what_to_do, f"{one.latest_day:%a %d %b}"):
            assert told in words
    at = [words.index(one.text) for one in found if words.count(one.text) == 1]
    assert at == sorted(at)


def test_a_wrong_token_is_told_and_sets_no_cookie(browser: httpx.Client) -> None:
    answer = browser.post("/login", data={"token": "guess", "next": "/picks"})
    assert answer.status_code == 401
    assert "Nobody has this token" in answer.text
    assert not browser.cookies


def test_the_login_never_leads_to_another_site(browser: httpx.Client) -> None:
    for to in ("https://example.org/", "//example.org", "/\\example.org", ""):
        assert log_in(browser, Role.LEAD, to).url.path == "/"


def test_scripts_and_other_sites_cannot_use_the_cookie(browser: httpx.Client) -> None:
    browser.follow_redirects = False
    cookie = log_in(browser, Role.LEAD).headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    asked = browser.post("/graphql", json={"query": "{ products { ... on Refusal { code } } }"})
    assert asked.json()["data"]["products"] == {"code": "UNAUTHENTICATED"}


def test_a_day_or_week_that_does_not_exist_is_a_plain_sentence(browser: httpx.Client) -> None:
    log_in(browser, Role.LEAD)
    for path, word in (
        ("/picks/2027-02-30", "no day"),
        ("/picks/9999-12-31", "no day"),
        ("/parcels/0001-01-01", "no day"),
        ("/week/2027-W53", "no week"),
    ):
        answer = browser.get(path)
        assert answer.status_code == 404
        assert word in answer.text


def test_logging_out_forgets_the_token(browser: httpx.Client) -> None:
    log_in(browser, Role.LEAD)
    assert browser.post("/logout").url.path == "/login"
    assert browser.get("/week/2027-W14").url.path == "/login"


def _form(page: httpx.Response, action: str) -> dict[str, str]:
    """What the first form of the page that goes to `action` sends as it stands."""
    html = next(
        part for part in page.text.split("<form ")[1:] if f'action="{action}"' in part
    ).split("</form>")[0]
    return {
        str(found["name"]): found.get("value") or ""
        for tag, found in Page(f"<form {html}</form>").tags
        if tag == "input" and "name" in found
    }


def test_a_tap_that_a_bad_signal_sends_twice_is_recorded_once(
    browser: httpx.Client, db: Database
) -> None:
    stop = "/picks/2027-03-03/stop"
    typed = _form(log_in(browser, Role.PACKER, "/picks/2027-03-03"), stop)
    assert typed["found"] == "120"
    first, again = (browser.post(stop, data=typed) for _ in range(2))
    assert first.text == again.text and "120 of 120 plugs picked" in first.text
    with db.reading() as session:
        assert [line.picked for line in session.exec(select(PromiseLine))] == [120]
        picks = session.exec(select(Movement).where(Movement.kind == Moved.PICKED)).all()
    assert [row.plugs for row in picks] == [-120]
    other = browser.post(stop, data=typed | {"found": "3"})
    assert other.status_code == 409 and "was sent before with another request" in other.text


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"found": "121"}, "at most the 120 plugs that the sheet lists are picked"),
        ({"found": "-3"}, "must be a whole number"),
        ({"found": "twelve"}, "must be a whole number"),
        ({"lot": "999"}, "is not in the books"),
        ({"parts": "999:120"}, "one of its orders is gone"),
        ({"parts": "1:x"}, "cannot be read"),
        ({"key": ""}, "An idempotency key has 1 to 120 characters"),
        ({"reason": "x" * 20_000}, "An idempotency key has"),
    ],
)
def test_a_wrong_pick_is_refused_in_words_and_leaves_the_books(
    browser: httpx.Client, db: Database, wrong: dict[str, str], said: str
) -> None:
    stop = "/picks/2027-03-03/stop"
    typed = _form(log_in(browser, Role.PACKER, "/picks/2027-03-03"), stop)
    answer = browser.post(stop, data=typed | wrong)
    assert answer.status_code == 409 and said in answer.text and "What to do" in answer.text
    assert 'href="/picks/2027-03-03"' in answer.text  # the way back
    with db.reading() as session:
        assert [line.picked for line in session.exec(select(PromiseLine))] == [0]


def test_a_parcel_that_the_van_left_is_packed_again(browser: httpx.Client) -> None:
    stop, parcels = "/picks/2027-03-03/stop", "/parcels/2027-03-03"
    browser.post(stop, data=_form(log_in(browser, Role.PACKER, "/picks/2027-03-03"), stop))
    page = browser.get(parcels)
    assert "0 to pick, 1 to pack, 0 for the van, 0 gone" in Page(page.text).words
    assert "Order W-1, " in browser.get("/cards/2027-03-03").text  # packed after it was picked
    pack = _form(page, f"{parcels}/pack")
    other = browser.post(f"{parcels}/pack", data=pack | {"wrap CP-6": "sacking", "key": "w"})
    assert other.status_code == 409 and "known: moss and paper" in other.text
    page = browser.post(f"{parcels}/pack", data=pack)
    left = _form(page, f"{parcels}/left-behind")
    late = browser.post(f"{parcels}/left-behind", data=left | {"repack_by": "2027-02-01"})
    assert late.status_code == 409 and "must not have passed" in late.text
    odd = browser.post(f"{parcels}/left-behind", data=left | {"repack_by": "soon", "key": "k"})
    assert "must be a day" in odd.text
    page = browser.post(
        f"{parcels}/left-behind", data=left | {"repack_by": "2027-03-05", "key": "m"}
    )
    assert "Wrap it anew by Friday 2027-03-05" in page.text
    page = browser.post(f"{parcels}/pack", data=_form(page, f"{parcels}/pack"))
    again = browser.post(f"{parcels}/hand-over", data=_form(page, f"{parcels}/hand-over"))
    assert again.status_code == 409 and "must not be blank" in again.text
    assert browser.post(f"{parcels}/burn", data=left).status_code == 404


def test_the_shop_and_strangers_record_nothing(browser: httpx.Client) -> None:
    stop = "/picks/2027-03-03/stop"
    typed = _form(log_in(browser, Role.PACKER, "/picks/2027-03-03"), stop)
    log_in(browser, Role.SHOP)
    assert "This is for the packer" in browser.post(stop, data=typed).text
    browser.cookies.clear()
    asked = browser.post(stop, data=typed)
    assert asked.url.path == "/login" and "next=/picks/2027-03-03" in str(asked.url)
