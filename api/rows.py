"""Which rows do the ids and codes of a request name?"""

from collections.abc import Sequence
from difflib import get_close_matches
from typing import TypeVar

from sqlmodel import Session, SQLModel, col, select

from api.ids import key_of
from nursery.batch import Batch
from nursery.crop import Protocol
from nursery.errors import Refusal, Refused
from nursery.growing_area import Bench
from nursery.order import PromiseLine
from nursery.planned import PlannedStart
from nursery.stock import Lot, Veto

R = TypeVar("R", bound=SQLModel)
_SHOWN = 8


def lot_row(session: Session, id: str) -> Lot:
    """The lot of this id. Raises Refused ("UNKNOWN_ID", "NOT_FOUND")."""
    return _row(session, Lot, id, "lot_id")


def promise_line_row(session: Session, id: str) -> PromiseLine:
    """The promise line of this id. Raises Refused ("UNKNOWN_ID", "NOT_FOUND")."""
    return _row(session, PromiseLine, id, "promise_line_id")


def veto_row(session: Session, id: str) -> Veto:
    """The veto of this id. Raises Refused ("UNKNOWN_ID", "NOT_FOUND")."""
    return _row(session, Veto, id, "id")


def batch_row(session: Session, code: str) -> Batch:
    """The batch with this code, as it stands on its label. Raises Refused ("NOT_FOUND")."""
    row = session.exec(select(Batch).where(Batch.code == code)).first()
    if row is None:
        codes = session.exec(select(Batch.code).where(col(Batch.closed_on).is_(None))).all()
        like = _like(code, codes) or "none that is like it: see the label"
        message = f"There is no batch {code!r}"
        raise Refused(Refusal("NOT_FOUND", message, "batchCode", f"known are: {like}"))
    return row


def bench_row(session: Session, name: str | None) -> Bench | None:
    """The bench of this name, None for no name. Raises Refused ("NOT_FOUND")."""
    if name is None:
        return None
    row = session.exec(select(Bench).where(Bench.name == name)).first()
    if row is None:
        names = session.exec(select(Bench.name).order_by(col(Bench.walk_order))).all()
        known = _like(name, names) or ", ".join(names[:_SHOWN]) or "none"
        message = f"There is no bench {name!r}"
        raise Refused(Refusal("NOT_FOUND", message, "bench", f"known are: {known}"))
    return row


def protocol_row(session: Session, crop: str, protocol: str) -> Protocol:
    """The protocol of this name of the crop, which is named as on a page.

    Raises Refused ("NOT_FOUND") with the protocols that the crop has.
    """
    rows = session.exec(select(Protocol)).all()
    mine = {row.name: row for row in rows if row.crop.name == crop}
    if protocol not in mine:
        message = f"There is no protocol {protocol!r} of {crop!r}"
        known = f"its protocols are: {', '.join(sorted(mine))}"
        if not mine:
            message = f"There is no crop {crop!r} with a protocol"
            crops = sorted({row.crop.name for row in rows})
            known = f"crops are: {_like(crop, crops) or ', '.join(crops[:_SHOWN]) or 'none'}"
        raise Refused(Refusal("NOT_FOUND", message, "protocol" if mine else "crop", known))
    return mine[protocol]


def planned_start_row(session: Session, id: str) -> PlannedStart:
    """The planned start of this id. Raises Refused ("UNKNOWN_ID", "NOT_FOUND")."""
    return _row(session, PlannedStart, id, "planned_start_id")


def _row(session: Session, rows: type[R], id: str, field: str) -> R:
    row = session.get(rows, key_of(rows.__name__, id, field))
    if row is None:
        message = f"There is no {rows.__name__} of the id {id!r}"
        raise Refused(Refusal("NOT_FOUND", message, field, "look it up again: it is gone"))
    return row


def _like(word: str, known: Sequence[str]) -> str:
    """Which of these may have been meant? None is guessed: a person chooses."""
    by_low = {one.lower(): one for one in known}
    found = get_close_matches(word.lower(), list(by_low), n=4, cutoff=0.6)
    return ", ".join(by_low[one] for one in found)
