"""Receivers of webhooks, over the API and at the command line; the server tells them."""

import json
import sys
import time
from collections.abc import Callable, Iterator

import pytest
from sqlmodel import select

from nursery.access import IdempotencyKey, Role
from nursery.cli import main
from nursery.database import Database
from nursery.telling.standing import standing
from tests.api.shop import Shed, Shop
from tests.shop import mild_nursery
from tests.webhook_receiver import Ear

ADD = """mutation ($name: String!, $address: String!, $kinds: [PromiseEventKind!]) {
  addReceiver(name: $name, address: $address, kinds: $kinds) { __typename
    ... on ReceiverAdded { name kinds secret } ... on Refusal { code field next } } }"""
ROTATE = """mutation ($name: String!, $hours: Float) {
  rotateReceiverSecret(name: $name, hours: $hours) { __typename
    ... on SecretRotated { name secret oldSecretUntil } ... on Refusal { code field next } } }"""
LIST = """{ receivers { __typename
  ... on Receivers { receivers { name isOn offBy madeBy waiting delivered givenUp lastAnswer
    oldSecretUntil } }
  ... on Refusal { code } } }"""
SWITCH = """mutation ($key: String!, $name: String!, $on: Boolean!) {
  switchReceiver(key: $key, name: $name, on: $on) { __typename
    ... on Receiver { name isOn offBy } ... on Refusal { code next } } }"""


@pytest.fixture
def lead(shed: Shed) -> Iterator[Shop]:
    client = Shop(shed.address, shed.secrets[Role.LEAD])
    yield client
    client.close()


def _until(true: Callable[[], bool]) -> None:
    for _ in range(1000):
        if true():
            return
        time.sleep(0.02)
    raise AssertionError("it did not come true in twenty seconds")


def test_a_lead_adds_a_receiver_and_the_server_tells_it_of_promises(
    shed: Shed, lead: Shop, db: Database
) -> None:
    with Ear().open() as ear:
        added = lead.ask(ADD, name="web shop", address=ear.address)
        assert added["secret"].startswith("whsec_")
        id = shed.promised("W-1")
        shed.shop.do("cancel", id, reason="moved house")
        _until(lambda: len(ear.heard) == 2)
        _until(lambda: lead.ask(LIST)["receivers"][0]["delivered"] == 2)
        off = lead.ask(SWITCH, key="k1", name="web shop", on=False)
        assert (off["isOn"], off["offBy"]) == (False, "the lead")
        shed.promised("W-2")
        on = lead.ask(SWITCH, key="k2", name="web shop", on=True)
        assert on["isOn"]
        shed.shop.do("cancel", shed.promised("W-3"))
        _until(lambda: len(ear.heard) == 4)
    events = [heard.event for heard in ear.heard]
    assert [event["data"]["kind"] for event in events] == ["CONFIRMED", "CANCELLED"] * 2
    assert [event["subject"] for event in events] == ["W-1", "W-1", "W-3", "W-3"]
    assert events[0]["data"]["promise"] == id
    asked = "query ($id: ID!) { promise(id: $id) { ... on Promise { reference } } }"
    assert shed.shop.ask(asked, id=events[0]["data"]["promise"]) == {"reference": "W-1"}
    assert "secret" not in json.dumps(lead.ask(LIST))
    with db.reading() as session:
        kept = "".join(row.answer for row in session.exec(select(IdempotencyKey)))
    assert added["secret"] not in kept


def test_a_lead_gives_a_receiver_another_secret_that_no_answer_keeps(
    shed: Shed, lead: Shop, db: Database
) -> None:
    first = lead.ask(ADD, name="web shop", address="https://shop.example/news")["secret"]
    for role in (shed.shop, shed.packer):
        assert role.ask(ROTATE, name="web shop")["code"] == "FORBIDDEN"
    assert lead.ask(ROTATE, name="nobody")["code"] == "UNKNOWN_RECEIVER"
    assert lead.ask(ROTATE, name="web shop", hours=200)["code"] == "BAD_HOURS"
    given = lead.ask(ROTATE, name="web shop", hours=2)
    (stands,) = lead.ask(LIST)["receivers"]
    assert given["oldSecretUntil"] == stands["oldSecretUntil"] is not None
    leaked = lead.ask(ROTATE, name="web shop", hours=0)
    assert leaked["oldSecretUntil"] is None
    assert len({first, given["secret"], leaked["secret"]}) == 3
    with db.reading() as session:
        kept = "".join(row.answer for row in session.exec(select(IdempotencyKey)))
    assert given["secret"] not in kept and leaked["secret"] not in kept


def test_receivers_are_the_leads_alone_and_refusals_are_typed(shed: Shed, lead: Shop) -> None:
    for role in (shed.shop, shed.packer):
        assert role.ask(LIST)["code"] == "FORBIDDEN"
        assert role.ask(ADD, name="mine", address="https://a.example")["code"] == "FORBIDDEN"
        assert role.ask(SWITCH, key="k", name="mine", on=True)["code"] == "FORBIDDEN"
    for given, code, field in (
        ({"address": "http://shop.example"}, "BAD_ADDRESS", "address"),
        ({"address": "https://10.0.0.8"}, "BAD_ADDRESS", "address"),
        ({"name": "x" * 61}, "BAD_NAME", "name"),
        ({"name": "a\tb"}, "BAD_NAME", "name"),
        ({"kinds": []}, "BAD_KINDS", "kinds"),
    ):
        asked = {"name": "web shop", "address": "https://shop.example/news", **given}
        refused = lead.ask(ADD, **asked)
        assert (refused["code"], refused["field"]) == (code, field)
    assert lead.ask(SWITCH, key="k", name="nobody", on=False)["code"] == "UNKNOWN_RECEIVER"


def test_a_lead_adds_tries_and_switches_a_receiver_at_the_command_line(
    db: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with db.writing() as session:
        mild_nursery(session)
    monkeypatch.setenv("NURSERY_DATABASE", db.address)
    monkeypatch.setenv("COLUMNS", "200")

    def typed(*words: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["nursery", "receivers", *words])
        try:
            main()
            status = 0
        except SystemExit as ended:
            status = int(ended.code or 0)
        shown = capsys.readouterr()
        return status, " ".join((shown.out + shown.err).split())

    assert "Nobody" in typed("list")[1]
    status, said = typed("add", "web shop", "http://shop.example/news", "--by", "Lea")
    assert status == 2 and "https://" in said and "NURSERY_RECEIVER_HOSTS" in said
    with Ear().open() as ear:
        events = ("--event", "re-dated", "--event", "short")
        said = typed("add", "web shop", ear.address, "--by", "Lea", *events, "--json")[1]
        secret = json.loads(said)["secret"]
        assert typed("try", "web shop") == (0, "web shop answered 204: it has the trial.")
        ear.answer = lambda heard: (500, {})
        assert typed("try", "web shop") == (1, "web shop: answered 500.")
    assert [heard.event["type"] for heard in ear.heard] == ["nursery.trial"] * 2
    said = typed("list")[1]
    assert "hears of: re-dated, short." in said and secret not in said
    assert secret not in typed("list", "--json")[1]
    status, said = typed("rotate", "web shop", "--by", "Lea", "--hours", "12")
    assert status == 0 and "Secret: whsec_" in said and "The old one signs too, until" in said
    assert "web shop: an old secret signs too, until" in typed("list")[1]
    status, said = typed("rotate", "web shop", "--by", "Lea", "--hours", "0")
    assert status == 0 and "No other secret signs." in said
    assert typed("rotate", "web shop", "--by", "Lea", "--hours", "999")[0] == 2
    assert typed("off", "web shop", "--by", "Lea") == (0, "web shop is off; 0 events wait for it.")
    assert "off by Lea" in typed("list")[1]
    assert typed("on", "web shop", "--by", "Lea") == (0, "web shop is on; 0 events wait for it.")
    assert typed("try", "nobody") == (2, "There is no receiver 'nobody'; there are: web shop")
    with db.reading() as session:
        assert [each.is_on for each in standing(session)] == [True]
