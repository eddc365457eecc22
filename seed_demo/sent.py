"""What has the invented nursery sent already, and what came of it? Two parcels, and two claims.

All of it is done by the services, as it was in those days: the database's clock stands there
meanwhile. One claim was sent again; about the other nobody has decided yet.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.crop import Crop
from nursery.database import Database, now, site
from nursery.growing import batch_work
from nursery.order import CustomerOrder, OrderLine, Product, Promise
from nursery.promising.basket import Destination, zone_of
from nursery.promising.promise import promise_order
from nursery.shed.claims import ClaimKind, claims, record_claim
from nursery.shed.handover import delivered, hand_over, pack_parcel
from nursery.shed.ledger import balance
from nursery.shed.picking import record_pick
from nursery.shed.reshipping import reship
from nursery.stock import Lot
from nursery.telling.receivers import add_receiver, switch_receiver
from seed_demo.nursery_data import PEOPLE, SERVICES, ZONE_OF_TIME
from seed_demo.plants import PLANTS
from seed_demo.sheets import product_code

PLANT = PLANTS[0]
STAGES = (date(2026, 10, 12), date(2026, 10, 26), date(2027, 2, 25))
"""When the batch was divided, went on to grow, and into the frame."""
BATCH = f"{PLANT.code}-2642A"
READY_ON, SENT_ON = date(2027, 3, 5), date(2027, 3, 9)
DELIVERED_ON, CLAIMED_ON = date(2027, 3, 11), date(2027, 3, 12)
RECEIVER = "trial shop"
_LEAD, _PACKER = PEOPLE[0].name, PEOPLE[1].name


@dataclass(frozen=True)
class _Parcel:
    """An order that was sent, and how many of its plugs came dead, in the customer's words."""

    reference: str
    postcode: str
    plugs: int
    dead: int
    words: str
    photo: str


PARCELS = (
    _Parcel("D-19871", "9401", 6, 4, "four plugs brown and dry at the root", "shop file 3312"),
    _Parcel("D-19874", "7411", 6, 6, "box crushed, all plugs broken off", "shop file 3318"),
)


def send_and_claim(db: Database) -> None:
    """A batch of last winter, two parcels of it, the customers' claims, and a shop's receiver."""
    with _clock_at(db, STAGES[0]), db.writing() as session:
        _start(session)
    with _clock_at(db, READY_ON), db.writing() as session:
        _make_ready(session)
    with _clock_at(db, SENT_ON), db.writing() as session:
        sent = [_send(session, parcel).id or 0 for parcel in PARCELS]
    with _clock_at(db, CLAIMED_ON), db.writing() as session:
        for promise, parcel in zip(sent, PARCELS, strict=True):
            delivered(session, promise, DELIVERED_ON, _PACKER)
            record_claim(
                session, promise, ClaimKind.DEAD, parcel.words, "web shop", parcel.dead,
                photo=parcel.photo, wants_reship=True,
            )  # fmt: skip
    with db.writing() as session:
        add_receiver(session, RECEIVER, "http://localhost:8090/nursery", _LEAD)
        switch_receiver(session, RECEIVER, False, _LEAD)


def send_again(session: Session) -> Promise:
    """The plants of the first claim, once more, from another batch: the lead has decided so."""
    first = claims(session)[0]
    return reship(session, first.event_id, _LEAD, reason="the photo shows it")


@contextmanager
def _clock_at(db: Database, day: date) -> Iterator[None]:
    """It is eight in the morning of this day, for as long as the block lasts."""
    wanted = datetime.combine(day, time(8), ZoneInfo(ZONE_OF_TIME)).astimezone(UTC)
    with db.writing() as session:
        back = round((wanted - now(session)).total_seconds())
        site(session).clock_shift_seconds += back
    yield
    with db.writing() as session:
        site(session).clock_shift_seconds -= back


def _start(session: Session) -> None:
    crop = next(row for row in session.exec(select(Crop)) if row.name == PLANT.name)
    protocol = next(row for row in crop.protocols if row.name == PLANT.ways[0])
    batch_work.start_batch(session, protocol, 1, _LEAD, code=BATCH)


def _batch(session: Session) -> Batch:
    """The last that was started."""
    return session.exec(select(Batch).order_by(col(Batch.id).desc()).limit(1)).one()


def _make_ready(session: Session) -> None:
    batch = _batch(session)
    for day in STAGES[1:]:
        batch_work.move_batch(session, batch, _LEAD, moved_on=day)
    ready = sum(parcel.plugs for parcel in PARCELS)
    batch_work.set_ready(session, batch, ready, _LEAD)
    rest = balance(session, batch) - ready
    batch_work.discard(session, batch, rest, _LEAD, "did not root well enough")


def _send(session: Session, parcel: _Parcel) -> Promise:
    """Ordered, promised, picked, packed and handed over, all on one day."""
    code = product_code(PLANT, parcel.plugs)
    product = session.exec(select(Product).where(Product.code == code)).one()
    zone = zone_of(session, Destination("NL", parcel.postcode))
    order = CustomerOrder(
        reference=parcel.reference,
        placed_at=now(session),
        country="NL",
        postcode=parcel.postcode,
        zone_id=zone.id or 0,
    )
    session.add(order)
    session.flush()
    session.add(OrderLine(order_id=order.id or 0, product_id=product.id or 0, quantity=1))
    session.flush()
    promise = promise_order(
        session, order.id or 0, SENT_ON, SERVICES[0].name, "web shop", judged=True
    )
    lot = session.exec(select(Lot).where(Lot.batch_id == _batch(session).id)).one()
    for line in promise.lines:
        record_pick(session, line, lot, line.plugs, _PACKER)
    pack_parcel(session, promise.id or 0, _PACKER)
    return hand_over(session, promise.id or 0, f"PV-{parcel.reference[2:]}", _PACKER)
