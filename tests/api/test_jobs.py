"""Plans are made in a process of their own, while the API goes on answering."""

import asyncio
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from sqlmodel import select
from websockets.asyncio.client import connect
from websockets.typing import Subprotocol

from api.carrying import storing
from api.jobs import Jobs, JobState, Report
from nursery.access import Role
from nursery.database import Database, clock
from nursery.demand import Demand, DemandKind
from nursery.errors import Refused
from nursery.plan_job import JobKind, PlanJob
from nursery.planned import PlanVersion
from nursery.planning.plan_relief import read_plan, what_would_help
from nursery.planning.tasks import Made
from nursery.settings import Settings
from nursery.weeks import Week
from tests.api.server import serving, tokens
from tests.api.shop import MONDAY, Shop
from tests.builders import accepted_plan, crop_named, open_order, product_of, ready_lot

JOB = """{ __typename ... on Job { id kind state cost bound version refusal { code }
    stepsDone steps reliefs { crop week plugs unmet binding found met told }
    dispatch { accepted ships { reference shipOn service lateDays } unshipped { reference } } }
    ... on Refusal { code message next } }"""
CALTHA = "Caltha palustris"


@dataclass
class Office:
    """The lead's own program, and what it hears."""

    address: str
    secret: str
    client: Shop

    def start(self, action: str, arguments: str, key: str | None = None) -> Any:
        key = key or uuid4().hex
        return self.client.ask(f'mutation {{ {action}(key: "{key}", {arguments}) {JOB} }}')

    def cancel(self, id: str, keep: bool) -> Any:
        given = f'id: "{id}", keepBest: {str(keep).lower()}'
        return self.client.ask(f"mutation {{ cancelJob({given}) {JOB} }}")

    def followed(self, id: str) -> list[Any]:
        """All that the subscription says of a job until it has ended."""
        return asyncio.run(self._follow(id))

    async def _follow(self, id: str) -> list[Any]:
        address = self.address.replace("http", "ws") + "/graphql"
        protocol = [Subprotocol("graphql-transport-ws")]
        headers = {"Authorization": f"Bearer {self.secret}"}
        async with connect(address, subprotocols=protocol, additional_headers=headers) as socket:
            await socket.send(json.dumps({"type": "connection_init"}))
            await socket.recv()
            query = f'subscription {{ jobProgress(id: "{id}") {JOB} }}'
            body = {"id": "1", "type": "subscribe", "payload": {"query": query}}
            await socket.send(json.dumps(body))
            heard = []
            while True:
                message = json.loads(await asyncio.wait_for(socket.recv(), 60))
                if message["type"] == "complete":
                    return heard
                heard.append(message["payload"]["data"]["jobProgress"])


@pytest.fixture
def office(either_db: Database) -> Iterator[Office]:
    with an_office(either_db) as office:
        yield office


@contextmanager
def an_office(db: Database) -> Iterator[Office]:
    """A nursery with something to plan and to dispatch, its server and the lead's program."""
    secret = tokens(db)[Role.LEAD]
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        assert crop.id is not None
        week = Week.of(MONDAY) + 14
        session.add(
            Demand(crop_id=crop.id, week=str(week), kind=DemandKind.EXPECTED_SALES, plugs=300)
        )
        ready_lot(session, crop, 60, MONDAY - timedelta(days=7), MONDAY + timedelta(days=40))
        for n in range(3):
            open_order(session, f"O-{n}", product_of(session, crop))
    with serving(db, Settings(poll_seconds=0.05)) as address:
        client = Shop(address, secret)
        try:
            yield Office(address, secret, client)
        finally:
            client.close()


def test_a_propagation_plan_is_made_followed_read_and_accepted(
    office: Office, either_db: Database
) -> None:
    started = office.start("planPropagation", "weeks: 20, seconds: 1", key="plan")
    assert (started["state"], started["kind"]) == ("RUNNING", "PROPAGATION")
    assert office.start("planPropagation", "weeks: 20, seconds: 1", key="plan") == started
    for _ in range(20):  # the API goes on answering
        found = office.client.ask("{ products { __typename } }")
        assert found == {"__typename": "ProductConnection"}
    ended = office.followed(started["id"])[-1]
    assert (ended["state"], ended["refusal"]) == ("DONE", None)
    plan = office.client.ask(
        f"""{{ plan(version: {ended["version"]}) {{ ... on Plan {{ version cost bound gap
        backwardCost starts {{ week crop trays plugs readyWeek }} unmet {{ plugs }} }} }} }}"""
    )
    assert int(plan["bound"]) <= int(plan["cost"]) <= int(plan["backwardCost"])
    unmet = sum(one["plugs"] for one in plan["unmet"])
    assert unmet <= 10  # less than a tray more would cost
    assert sum(start["plugs"] for start in plan["starts"]) >= 300 - unmet
    accept = f'mutation {{ acceptPlan(key: "yes", version: {ended["version"]}) '
    accept += "{ ... on AcceptedPlan { version acceptedBy } ... on Refusal { code message } } }"
    assert office.client.ask(accept) == {"version": ended["version"], "acceptedBy": "the lead"}
    with either_db.reading() as session:
        assert session.exec(select(PlanVersion)).one().accepted_by == "the lead"


def test_a_dispatch_is_made_and_carried_out(office: Office) -> None:
    started = office.start("planDispatch", "seconds: 1, accept: true")
    ended = office.followed(started["id"])[-1]
    assert (ended["state"], ended["dispatch"]["accepted"]) == ("DONE", True)
    assert {ship["reference"] for ship in ended["dispatch"]["ships"]} == {"O-0", "O-1", "O-2"}
    found = office.client.ask(
        "{ promises { ... on PromiseConnection { edges { node { reference state shipOn } } } } }"
    )
    assert {(edge["node"]["reference"], edge["node"]["state"]) for edge in found["edges"]} == {
        ("O-0", "CONFIRMED"),
        ("O-1", "CONFIRMED"),
        ("O-2", "CONFIRMED"),
    }


def test_one_plan_at_a_time_is_made_and_may_be_given_up_or_ended_with_its_best(
    office: Office, either_db: Database
) -> None:
    first = office.start("planPropagation", "weeks: 20, seconds: 600")
    second = office.start("planPropagation", "weeks: 20, seconds: 1")
    assert second["code"] == "JOB_RUNNING"
    assert office.cancel(first["id"], keep=False)["state"] == "CANCELLED"
    assert office.followed(first["id"])[-1]["state"] == "CANCELLED"
    with either_db.reading() as session:
        assert session.exec(select(PlanVersion)).all() == []
    third = office.start("planPropagation", "weeks: 20, seconds: 600")
    assert office.cancel(third["id"], keep=True)["state"] == "RUNNING"
    ended = office.followed(third["id"])[-1]
    with either_db.reading() as session:
        stored = [row.version for row in session.exec(select(PlanVersion))]
    assert (ended["state"], [ended["version"]]) == ("DONE", stored)


def test_what_would_help_is_asked_followed_and_given_up_like_a_plan(db: Database) -> None:
    """The same as `nursery why` says of the same demand: it was solved again."""
    soon = Week.of(MONDAY) + 1
    with an_office(db) as office:
        with db.writing() as session:
            crop = crop_named(session, "Caltha palustris").id or 0
            kind = DemandKind.EXPECTED_SALES
            session.add(Demand(crop_id=crop, week=str(soon), kind=kind, plugs=900))
        plan = office.start("planPropagation", "weeks: 20, seconds: 1")
        version = office.followed(plan["id"])[-1]["version"]
        started = office.start("askWhatWouldHelp", f'crop: "{CALTHA}", week: "{soon}"')
        assert (started["kind"], started["state"]) == ("RELIEF", "RUNNING")
        assert office.start("askWhatWouldHelp", "most: 1")["code"] == "JOB_RUNNING"
        ended = office.followed(started["id"])[-1]
        assert (ended["state"], ended["version"]) == ("DONE", version)
        assert (ended["stepsDone"], ended["steps"]) == (1, 1)
        (relief,) = ended["reliefs"]
        assert (relief["week"], relief["unmet"]) == (str(soon), True)
        with db.reading() as session:
            at = read_plan(session, version)
        own = what_would_help(at, CALTHA, soon)
        assert (relief["binding"], relief["told"]) == (own.binding, own.told)
        again = office.start("askWhatWouldHelp", "most: 3")
        assert office.cancel(again["id"], keep=False)["state"] == "CANCELLED"
        for wrong, code in (
            ('crop: "Rosa"', "UNKNOWN_CROP"),
            ("version: 99", "UNKNOWN_PLAN"),
            ("most: 0", "INVALID"),
            ("most: 51", "INVALID"),
        ):
            assert office.start("askWhatWouldHelp", wrong)["code"] == code


def test_a_plan_of_no_weeks_or_no_time_is_refused(office: Office) -> None:
    for arguments in ("weeks: 0, seconds: 1", "weeks: 8, seconds: 0", "weeks: 8, seconds: 1e9"):
        assert office.start("planPropagation", arguments)["code"] == "INVALID"


def test_a_job_nobody_started_is_unknown(office: Office) -> None:
    assert office.cancel("nonsense", keep=True)["code"] == "NOT_FOUND"
    (heard,) = office.followed("nonsense")
    assert heard["code"] == "NOT_FOUND"


def job_of_an_hour_ago(db: Database) -> str:
    """A job that runs by its row, and of which nothing was heard for an hour."""
    with db.writing() as session:
        then = clock(session) - timedelta(hours=1)
        id = uuid4().hex
        kind = JobKind.PROPAGATION
        session.add(PlanJob(id=id, kind=kind, arguments="{}", started_at=then, told_at=then))
    return id


def looked_at(db: Database, id: str) -> Report:
    """What is said of this job to somebody who asks now?"""
    jobs = Jobs(db.address, {})
    try:
        with db.reading() as session:
            found = jobs.report(session, id)
    finally:
        jobs.close()
    assert found is not None
    return found


def test_a_job_that_was_cut_off_stores_no_plan_any_more(either_db: Database) -> None:
    id = job_of_an_hour_ago(either_db)
    found = looked_at(either_db, id)
    assert found.state is JobState.FAILED and found.refusal is not None
    with pytest.raises(Refused, match="cut off"), storing(either_db, id) as session:
        accepted_plan(session, MONDAY)
    with either_db.reading() as session:
        assert session.exec(select(PlanVersion)).all() == []


def test_a_job_that_is_cut_off_after_its_plan_was_stored_is_done(either_db: Database) -> None:
    id = job_of_an_hour_ago(either_db)
    with storing(either_db, id) as session:
        stored = accepted_plan(session, MONDAY).version
    found = looked_at(either_db, id)
    assert (found.state, found.made) == (JobState.DONE, Made(stored))
    assert found.refusal is None
