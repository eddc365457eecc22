"""How much does it weigh that plugs of a crop are unmet or late?

The crop's own priority times that of its products: the mean over the products, weighed by the
plugs that were ordered of each, or plain where nothing was ordered yet. 1 is usual.
"""

from __future__ import annotations

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.crop import Crop
from nursery.order import OrderLine, Product


def priorities(session: Session) -> dict[int, float]:
    """What is each crop's weight, by crop id?"""
    ordered = {
        product_id: int(quantity)
        for product_id, quantity in session.exec(
            select(OrderLine.product_id, func.sum(OrderLine.quantity)).group_by(
                col(OrderLine.product_id)
            )
        ).all()
    }
    by_crop: dict[int, list[tuple[float, float]]] = {}
    for product in session.exec(select(Product)).all():
        plugs = ordered.get(product.id or 0, 0) * product.plugs
        by_crop.setdefault(product.crop_id, []).append((product.priority, float(plugs)))
    return {
        crop.id or 0: crop.priority * _mean(by_crop.get(crop.id or 0, []))
        for crop in session.exec(select(Crop)).all()
    }


def _mean(weighed: list[tuple[float, float]]) -> float:
    if not weighed:
        return 1.0
    total = sum(plugs for _, plugs in weighed)
    if total <= 0:
        return sum(weight for weight, _ in weighed) / len(weighed)
    return sum(weight * plugs for weight, plugs in weighed) / total
