"""Which rows do the ids and codes of a request name?"""

from typing import TypeVar

from sqlmodel import Session, SQLModel, select

from api.ids import key_of
from nursery.batch import Batch
from nursery.errors import Refusal, Refused
from nursery.order import PromiseLine
from nursery.stock import Lot, Veto

R = TypeVar("R", bound=SQLModel)


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
        raise Refused(Refusal("NOT_FOUND", f"There is no batch {code!r}", "batch"))
    return row


def _row(session: Session, rows: type[R], id: str, field: str) -> R:
    row = session.get(rows, key_of(rows.__name__, id, field))
    if row is None:
        raise Refused(Refusal("NOT_FOUND", f"There is no such {rows.__name__}", field))
    return row
