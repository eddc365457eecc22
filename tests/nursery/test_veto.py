"""Vetoes: they end by signature alone, and what they hold sells nothing meanwhile."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session

from nursery.batch import Quarantine
from nursery.database import Database
from nursery.errors import Fault, Refused
from nursery.promising.supply import available
from nursery.shed.ledger import make_lot
from nursery.shed.veto import (
    correct_earliest_end,
    saleable,
    set_veto,
    sign_off_veto,
    unsigned,
    why_not,
)
from nursery.stock import Lot, VetoKind
from tests.builders import crop_named, ready_lot, set_clock, small_nursery

MONDAY = date(2027, 3, 1)
LATER = MONDAY + timedelta(days=30)
END = MONDAY + timedelta(days=3)


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, MONDAY)
    return db


def a_lot(session: Session, plugs: int = 100, crop: str = "Caltha palustris") -> Lot:
    return ready_lot(session, crop_named(session, crop), plugs, MONDAY, LATER)


def may_promise(session: Session, lot: Lot, days: int = 0) -> int:
    return int(available(session, [lot.pool_id])[lot.pool_id][days])


def test_plugs_under_a_veto_cannot_be_promised_on_any_day_before_it_is_signed_off(
    shed: Database,
) -> None:
    with shed.writing() as session:
        lot = a_lot(session)
        assert may_promise(session, lot) == 95
        veto = set_veto(session, lot.batch, VetoKind.INSPECTION, "spots", "Ada", END)
        assert not available(session, [lot.pool_id])[lot.pool_id].any()
        sign_off_veto(session, veto, "Dr Vos", "leaves clean, sample negative")
        assert may_promise(session, lot) == 95


def test_a_veto_never_ends_by_date_but_asks_for_a_signature(shed: Database) -> None:
    with shed.writing() as session:
        lot = a_lot(session)
        set_veto(session, lot.batch, VetoKind.QUARANTINE, "thrips", "Ada", END)
        assert unsigned(session) == []
        set_clock(session, END + timedelta(days=4))
        warning = unsigned(session)[0]
        assert warning.days_past == 4 and "until an authorised person signs" in str(warning)
        assert may_promise(session, lot) == 0


def test_a_veto_on_one_lot_leaves_the_batch_s_other_lots_for_sale(shed: Database) -> None:
    with shed.writing() as session:
        lot = a_lot(session, 60)
        other = make_lot(session, lot.batch, lot.pool, 40, MONDAY + timedelta(days=1), LATER, "Ada")
        set_veto(session, lot.batch, VetoKind.OTHER, "frosted", "Ada", lot=lot)
        assert saleable(session, [lot.id or 0, other.id or 0]) == {other.id}
        assert why_not(session, other) is None
        assert "frosted" in (why_not(session, lot) or "")


def test_two_vetoes_need_two_signatures(shed: Database) -> None:
    with shed.writing() as session:
        lot = a_lot(session)
        first = set_veto(session, lot.batch, VetoKind.RE_ENTRY, "label of product X", "Ada")
        set_veto(session, lot.batch, VetoKind.INSPECTION, "spots", "Ada")
        sign_off_veto(session, first, "Ada", "interval over")
        assert may_promise(session, lot) == 0


def test_a_re_entry_interval_that_still_runs_cannot_be_signed_off(shed: Database) -> None:
    with shed.writing() as session:
        lot = a_lot(session)
        veto = set_veto(session, lot.batch, VetoKind.RE_ENTRY, "label of X", "Ada", END)
        with pytest.raises(Refused, match="runs until 2027-03-04") as refused:
            sign_off_veto(session, veto, "Ada", "looks dry")
        assert refused.value.refusal.code == "interval_runs"
        correct_earliest_end(session, veto, MONDAY, "Ada", "typed the wrong day")
        assert "was 2027-03-04" in veto.reason
        assert sign_off_veto(session, veto, "Ada", "interval over").signed_off_by == "Ada"


@pytest.mark.parametrize(("name", "note"), [("", "clean"), ("Ada", " ")])
def test_a_signature_needs_a_name_and_a_note(shed: Database, name: str, note: str) -> None:
    with shed.writing() as session:
        veto = set_veto(session, a_lot(session).batch, VetoKind.OTHER, "x", "Ada")
        with pytest.raises(Fault, match="needs"):
            sign_off_veto(session, veto, name, note)


def test_a_veto_is_signed_off_once(shed: Database) -> None:
    with shed.writing() as session:
        veto = set_veto(session, a_lot(session).batch, VetoKind.OTHER, "x", "Ada")
        sign_off_veto(session, veto, "Ada", "clean")
        with pytest.raises(Refused, match="signed off by Ada"):
            sign_off_veto(session, veto, "Bo", "clean")


def test_setting_and_signing_off_raise_the_version_of_the_pool(shed: Database) -> None:
    with shed.writing() as session:
        lot = a_lot(session)
        versions = [lot.pool.version]
        veto = set_veto(session, lot.batch, VetoKind.OTHER, "x", "Ada")
        versions.append(lot.pool.version)
        sign_off_veto(session, veto, "Ada", "clean")
        versions.append(lot.pool.version)
    assert versions == sorted(set(versions))


def test_an_unknown_quarantine_status_is_not_clear(shed: Database) -> None:
    with shed.writing() as session:
        lot = a_lot(session)
        lot.batch.quarantine = Quarantine.UNKNOWN
        session.flush()
        assert "'unknown', not 'clear'" in (why_not(session, lot) or "")
