"""Plants from a supplier, and plants that may stand in for others, for tests."""

from sqlmodel import Session

from nursery.crop import Method, Protocol, Stage, StageKind
from nursery.growing.batch_work import set_ready, start_batch
from nursery.order import Substitute
from nursery.stock import Lot
from tests.builders import crop_named, product_of


def bought_lot(session: Session, plugs: int, by_consent: bool | None = None) -> Lot:
    """Caltha that came from a supplier and stands ready; sold as such, unless said otherwise."""
    crop = crop_named(session, "Caltha palustris")
    first = crop.protocols[0].stages[0]
    protocol = Protocol(
        crop_id=crop.id,
        name="from a supplier",
        method=Method.BOUGHT_IN,
        by_consent=by_consent,
        stages=[
            Stage(
                position=1,
                kind=StageKind.ON_ORDER,
                area_kind="none",
                tray_format_id=first.tray_format_id,
                clock="days",
                clock_amount=21,
            )
        ],
    )
    session.add(protocol)
    session.flush()
    batch = start_batch(session, protocol, -(-plugs // 104), "Ada", quarantine="clear")
    return set_ready(session, batch, plugs, "Ada")


def substitutes(session: Session, product: str, *others: str) -> None:
    """These may be sent for this crop's product, in this order."""
    wanted = product_of(session, crop_named(session, product))
    for place, other in enumerate(others, 1):
        stands_in = product_of(session, crop_named(session, other))
        session.add(Substitute(product_id=wanted.id, other_id=stands_in.id, place=place))
    session.flush()
