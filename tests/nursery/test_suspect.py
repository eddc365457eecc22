"""A suspected pest: what is frozen with it, and the list that the inspector gets."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, select
from typer.testing import CliRunner

from nursery.cli import app
from nursery.database import Database
from nursery.errors import Fault
from nursery.mother_plant import MotherBlock
from nursery.order import Product, Promise
from nursery.promising.promise import promise_order
from nursery.shed.claims import ClaimKind, record_claim
from nursery.shed.claims_learned import claims_learned
from nursery.shed.deliveries import jeffreys
from nursery.shed.passport import passport
from nursery.shed.passport_label import label_page, passports_of_parcel
from nursery.shed.picking import hand_over, record_pick
from nursery.shed.suspect import EVERY_TIE, Tie, inspectors_list, suspect
from nursery.shed.trace import batch_called
from nursery.shed.veto import saleable
from nursery.stock import Lot, Veto
from tests.builders import crop_named, open_order, product_of, ready_lot, small_nursery

MONDAY = date(2027, 10, 4)
LATER = MONDAY + timedelta(days=20)


@pytest.fixture
def shed(db: Database) -> Database:
    """Four batches: one ill, one of its mother block, one of its lineage, one only beside it."""
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, "Caltha palustris")
        other = crop_named(session, "Primula rosea")
        block = MotherBlock(code="M-1", crop_id=crop.id or 0, plants=10, propagules_a_week=1.0)
        session.add(block)
        session.flush()
        lots = [ready_lot(session, crop, 60, MONDAY, LATER, f"CP-{n}") for n in range(3)]
        beside = ready_lot(session, other, 60, MONDAY, LATER, "PR-9")
        ill, same_block, same_line = (lot.batch for lot in lots)
        ill.mother_block_id = same_block.mother_block_id = block.id
        ill.lineage = same_line.lineage = "stock bed 7"
        beside.batch.lineage = "stock bed 7"  # of another crop: no kin
        for row in (same_block, same_line):
            row.bench_id = None
        product: Product = product_of(session, crop)
        product.heat_limit_c, product.frost_limit_c = 32.0, -8.0
        order = open_order(session, "A-1", product)
        promise = promise_order(session, order.id or 0, MONDAY + timedelta(days=1), "Van", "shop")
        record_pick(session, promise.lines[0], lots[0], 6, "Bo")
        hand_over(session, promise.id or 0, "TR-9", "Bo")
    return db


def codes(session: Session, *ties: Tie) -> list[str]:
    found = inspectors_list(session, batch_called(session, "CP-0"), ties)
    return [each.batch_code for each in found.batches]


def test_the_lead_chooses_by_what_batches_are_linked(shed: Database) -> None:
    with shed.reading() as session:
        assert codes(session, Tie.MOTHER) == ["CP-0", "CP-1"]
        assert codes(session, Tie.LINEAGE) == ["CP-0", "CP-2"]
        assert codes(session, Tie.AREA) == ["CP-0", "PR-9"]
        assert codes(session, *EVERY_TIE) == ["CP-0", "CP-1", "CP-2", "PR-9"]
        with pytest.raises(Fault, match="needs a tie"):
            codes(session)


def test_a_suspected_pest_freezes_linked_batches_once_and_lists_who_has_their_plants(
    shed: Database,
) -> None:
    with shed.writing() as session:
        ill = batch_called(session, "CP-0")
        for _ in range(2):
            found = suspect(session, ill, "Phytophthora ramorum", "Ada", [Tie.LINEAGE])
        vetoes = session.exec(select(Veto)).all()
        lots = {lot.batch.code: lot.id or 0 for lot in session.exec(select(Lot))}
        clear = saleable(session, lots.values())
    assert len(vetoes) == 2 and {row.set_by for row in vetoes} == {"Ada"}
    assert {code for code, key in lots.items() if key in clear} == {"CP-1", "PR-9"}
    assert [each.frozen for each in found.batches] == [True, True]
    text = "\n".join(found.lines())
    assert "sent: 6 plugs, order A-1, NL 1011AB, ship day 2027-10-05, tracking TR-9" in text
    assert "Report the suspicion to your plant health authority at once" in text


def test_a_closed_batch_is_listed_and_not_frozen(shed: Database) -> None:
    with shed.writing() as session:
        batch_called(session, "CP-2").closed_on = MONDAY
        session.flush()
        ill = batch_called(session, "CP-0")
        found = suspect(session, ill, "Phytophthora ramorum", "Ada", [Tie.LINEAGE])
    assert [(each.batch_code, each.frozen) for each in found.batches] == [
        ("CP-0", True),
        ("CP-2", False),
    ]


def test_the_passport_for_a_protected_zone_names_its_pests_under_the_words(
    shed: Database,
) -> None:
    # Implementing Regulation (EU) 2017/2313, Annex, legend 1 and 9, and the note on the flag.
    with shed.reading() as session:
        found = passport(session, batch_called(session, "CP-0"), ["BEMITA"])
    lines = found.text().splitlines()
    assert lines[0].endswith("Plant Passport \u2013 PZ") and lines[0].startswith("[Union flag]")
    assert lines[1].strip() == "BEMITA"
    page = label_page([found])
    assert page.count("<path") == 12 and "Plant Passport \u2013 PZ" in page
    for entry in (
        "<dt>A</dt><dd>Caltha palustris",
        "<dt>B</dt>",
        "<dt>C</dt><dd>CP-0",
        "<dt>D</dt>",
    ):
        assert entry in page


def test_a_parcel_has_the_passport_of_the_batch_that_was_picked(shed: Database) -> None:
    with shed.reading() as session:
        promise = session.exec(select(Promise)).one()
        found = passports_of_parcel(session, promise)
    assert [each.traceability_code for each in found] == ["CP-0"]


def test_what_claims_teach_is_shown_with_how_sure_it_is(shed: Database) -> None:
    with shed.writing() as session:
        record_claim(session, 1, ClaimKind.DEAD, "brown and soft", "shop", 2)
        found = claims_learned(session)
    rates = {(each.by, each.value): each for each in found.rates}
    wrap = rates["wrap", "moss and paper"]
    assert (wrap.parcels, wrap.claimed) == (1, 1)
    assert (wrap.low, wrap.high) == jeffreys(1, 1) and wrap.high == 1.0 and wrap.low < 0.4
    assert rates["service", "Van"].share == 1.0
    assert found.limits == ()  # no day of delivery is known


def test_passports_of_an_order_that_is_not_there_are_refused_in_a_sentence(shed: Database) -> None:
    """At the command line, beside those of an order that was picked."""
    runner = CliRunner()
    asked = ["passport", "--database", shed.address, "--order"]
    unknown, picked = (runner.invoke(app, [*asked, reference]) for reference in ("A-7", "A-1"))
    assert isinstance(unknown.exception, Fault)
    assert "is not in the books" in str(unknown.exception)
    assert picked.exit_code == 0 and "Plant Passport" in picked.output
