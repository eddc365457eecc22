"""Which rows do the ids and codes of a request name?"""

from typing import TypeVar

from sqlmodel import Session, SQLModel, select

from api.ids import key_of
from nursery.batch import Batch
from nursery.crop import Protocol
from nursery.errors import Refusal, Refused
from nursery.growing_area import Bench
from nursery.order import PromiseLine
from nursery.planned import PlannedStart
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


def bench_row(session: Session, name: str | None) -> Bench | None:
    """The bench of this name, None for no name. Raises Refused ("NOT_FOUND")."""
    if name is None:
        return None
    row = session.exec(select(Bench).where(Bench.name == name)).first()
    if row is None:
        raise Refused(Refusal("NOT_FOUND", f"There is no bench {name!r}", "bench"))
    return row


def protocol_row(session: Session, crop: str, protocol: str) -> Protocol:
    """The protocol of this name of the crop, which is named as on a page.

    Raises Refused ("NOT_FOUND") with the protocols that the crop has.
    """
    rows = session.exec(select(Protocol)).all()
    mine = {row.name: row for row in rows if row.crop.name == crop}
    if protocol not in mine:
        known = ", ".join(sorted(mine)) or "none: see the names of the crops"
        message = f"There is no protocol {protocol!r} of {crop!r}"
        raise Refused(Refusal("NOT_FOUND", message, "protocol", f"known are: {known}"))
    return mine[protocol]


def planned_start_row(session: Session, id: str) -> PlannedStart:
    """The planned start of this id. Raises Refused ("UNKNOWN_ID", "NOT_FOUND")."""
    return _row(session, PlannedStart, id, "planned_start_id")


def _row(session: Session, rows: type[R], id: str, field: str) -> R:
    row = session.get(rows, key_of(rows.__name__, id, field))
    if row is None:
        raise Refused(Refusal("NOT_FOUND", f"There is no such {rows.__name__}", field))
    return row
