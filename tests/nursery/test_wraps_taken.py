"""In which wrap a parcel really travelled is written down when it is packed, and claims know it."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, select
from typer.testing import CliRunner

from nursery.cli import app
from nursery.database import Database
from nursery.errors import Refused
from nursery.order import EventKind, PromiseEvent, Wrap
from nursery.promising.promise import promise_order
from nursery.shed.claims_learned import claims_learned
from nursery.shed.picking import hand_over, pack_parcel, record_pick
from nursery.stock import Lot
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    set_clock,
    small_nursery,
)

MONDAY = date(2027, 10, 4)
TUESDAY = MONDAY + timedelta(days=1)


@pytest.fixture
def shed(db: Database) -> Database:
    """Three orders of Caltha, whose wrap is moss and paper, picked on Tuesday; foil lies by."""
    with db.writing() as session:
        small_nursery(session, MONDAY).allowance = 0.0
        crop = crop_named(session, "Caltha palustris")
        product = product_of(session, crop)
        product.heat_limit_c, product.frost_limit_c = 60.0, -40.0
        session.add(Wrap(name="foil", water_g=90, minimum_water_g=30, cost_cents=900))
        ready_lot(session, crop, 60, MONDAY, MONDAY + timedelta(days=20), "OLD")
        set_clock(session, TUESDAY)
        for number in range(3):
            order = open_order(session, f"O-{number}", product, 1, "NL", "1011AB")
            made = promise_order(session, order.id or 0, TUESDAY, "Van", "shop", judged=True)
            record_pick(session, made.lines[0], session.exec(select(Lot)).one(), 6, "Bo")
    return db


def _wraps(session: Session) -> dict[str, int]:
    """Parcels sent by wrap, as claims count them."""
    return {rate.value: rate.parcels for rate in claims_learned(session).rates if rate.by == "wrap"}


def test_claims_count_a_parcel_by_the_wrap_that_it_was_packed_in_else_by_the_listed_one(
    shed: Database,
) -> None:
    with shed.writing() as session:
        pack_parcel(session, 1, "Bo")
        pack_parcel(session, 2, "Bo", "Ada", {"CP-6": "foil"})
        for key in (1, 2, 3):  # the third is handed over unpacked
            hand_over(session, key, f"T-{key}", "Bo")
        packed = session.exec(select(PromiseEvent).where(PromiseEvent.kind == EventKind.PACKED))
        assert [event.detail["wraps"] for event in packed] == [
            {"CP-6": "moss and paper"},
            {"CP-6": "foil"},
        ]
        assert _wraps(session) == {"moss and paper": 2, "foil": 1}


def test_a_listed_wrap_that_is_changed_later_does_not_change_what_went_out(shed: Database) -> None:
    with shed.writing() as session:
        pack_parcel(session, 1, "Bo")
        hand_over(session, 1, "T-1", "Bo")
        product = product_of(session, crop_named(session, "Caltha palustris"))
        product.wrap = session.exec(select(Wrap).where(Wrap.name == "foil")).one()
        session.flush()
        assert _wraps(session) == {"moss and paper": 1}


@pytest.mark.parametrize(
    ("wraps", "code", "next"),
    [({"CP-6": "sacking"}, "unknown_wrap", "foil, moss"), ({"X": "foil"}, "unknown_product", "CP")],
)
def test_a_wrap_or_product_that_is_not_there_is_refused_and_nothing_is_packed(
    shed: Database, wraps: dict[str, str], code: str, next: str
) -> None:
    with pytest.raises(Refused) as refused, shed.writing() as session:
        pack_parcel(session, 1, "Bo", wraps=wraps)
    assert refused.value.refusal.code == code and next in refused.value.refusal.next
    with shed.reading() as session:
        assert not session.exec(
            select(PromiseEvent).where(PromiseEvent.kind == EventKind.PACKED)
        ).all()


def test_the_packer_says_at_the_command_line_which_wrap_was_taken(shed: Database) -> None:
    given = ["pack", "O-0", "--wrap", "CP-6=foil", "--database", shed.address]
    told = CliRunner().invoke(app, given)
    assert told.exit_code == 0, told.output
    with shed.reading() as session:
        event = session.exec(
            select(PromiseEvent).where(PromiseEvent.kind == EventKind.PACKED)
        ).one()
        assert event.detail["wraps"] == {"CP-6": "foil"}
