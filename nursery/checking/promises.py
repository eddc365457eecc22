"""Are promises whole, and does no ship day hold more than can be packed?"""

from __future__ import annotations

from collections.abc import Iterator

from nursery.checking.snapshot import HOLDS, Snapshot, Wrong

_LIVE = f"({HOLDS} OR promise.state IN ('picked', 'handed over', 'delivered', 'not collected'))"
_ASK = "Compare it with the shop's own order, and cancel and promise it again"

EMPTY = """
SELECT customer_order.reference, promise.id, promise.state
FROM promise JOIN customer_order ON customer_order.id = promise.order_id
WHERE NOT EXISTS (SELECT 1 FROM promise_line WHERE promise_line.promise_id = promise.id)
ORDER BY promise.id"""

LINES = """
SELECT customer_order.reference, product.code, promise_line.plugs, promise_line.picked,
       promise_line.quantity, promise.state,
       CASE WHEN pool.crop_id = product.crop_id AND pool.grade = product.grade THEN 0 ELSE 1 END
FROM promise_line JOIN promise ON promise.id = promise_line.promise_id
JOIN customer_order ON customer_order.id = promise.order_id
JOIN product ON product.id = promise_line.product_id
JOIN pool ON pool.id = promise_line.pool_id
WHERE promise_line.plugs < 1 OR promise_line.picked < 0 OR promise_line.quantity < 1
   OR promise_line.picked > promise_line.plugs OR promise_line.plugs < promise_line.quantity
   OR pool.crop_id <> product.crop_id OR pool.grade <> product.grade
   OR (promise.state IN ('picked', 'handed over') AND promise_line.picked < 1)
ORDER BY customer_order.reference, product.code"""

AGREED = f"""
SELECT customer_order.reference, product.code,
       CASE WHEN pool.bought_in OR promise_line.bought_in THEN 1 ELSE 0 END
FROM promise_line JOIN promise ON promise.id = promise_line.promise_id
JOIN customer_order ON customer_order.id = promise.order_id
JOIN product ON product.id = promise_line.product_id
JOIN pool ON pool.id = promise_line.pool_id
WHERE {_LIVE} AND (pool.bought_in <> promise_line.bought_in
  OR (pool.bought_in AND NOT customer_order.may_be_bought_in)
  OR (promise_line.instead_of_id IS NOT NULL AND NOT customer_order.may_substitute))
ORDER BY customer_order.reference, product.code"""
"""What is bought in, or sent in place of another product, without its customer's consent?"""

ORDERED = f"""
SELECT customer_order.reference, product.code, SUM(promise_line.quantity),
       COALESCE(MAX(order_line.quantity), 0)
FROM promise_line JOIN promise ON promise.id = promise_line.promise_id
JOIN customer_order ON customer_order.id = promise.order_id
JOIN product ON product.id = COALESCE(promise_line.instead_of_id, promise_line.product_id)
LEFT JOIN order_line ON order_line.order_id = promise.order_id
      AND order_line.product_id = COALESCE(promise_line.instead_of_id, promise_line.product_id)
WHERE {_LIVE}
GROUP BY customer_order.reference, product.code
HAVING SUM(promise_line.quantity) > COALESCE(MAX(order_line.quantity), 0)
ORDER BY customer_order.reference, product.code"""
"""Is more of a product promised, with others in its place, than was ordered of it?"""

DATES = """
SELECT customer_order.reference, promise.pack_on, promise.ship_on, promise.arrives_from,
       promise.arrives_until
FROM promise JOIN customer_order ON customer_order.id = promise.order_id
WHERE promise.pack_on > promise.ship_on OR promise.arrives_from <= promise.ship_on
   OR promise.arrives_until < promise.arrives_from
   OR (promise.state = 'reserved' AND promise.reserved_until IS NULL)
ORDER BY customer_order.reference"""

DAYS = f"""
SELECT promise.ship_on, SUM(promise.minutes),
       COALESCE(MAX(ship_day.minutes), MAX(site.packing_minutes_a_day))
FROM promise CROSS JOIN site LEFT JOIN ship_day ON ship_day.day = promise.ship_on
WHERE promise.ship_on >= :today AND {_LIVE}
GROUP BY promise.ship_on
HAVING SUM(promise.minutes) > COALESCE(MAX(ship_day.minutes), MAX(site.packing_minutes_a_day))
ORDER BY promise.ship_on"""

PLACED = f"""
SELECT promise_event.kind, reserved.id
FROM promise_event JOIN promise ON promise.id = promise_event.promise_id
LEFT JOIN promise_event AS reserved
     ON reserved.promise_id = promise.id AND reserved.kind = 'reserved'
WHERE promise.ship_on = :day AND {_LIVE}
  AND (promise_event.kind IN ('reserved', 'amended', 're-dated')
       OR (promise_event.kind = 'confirmed' AND reserved.id IS NULL))
ORDER BY promise_event.id DESC LIMIT 1"""
"""How did the last parcel that was put on this day come there? By the shop, or by a plan."""


def promises(books: Snapshot) -> Iterator[Wrong]:
    """Every promise has lines; each line has at least a plug for each piece, draws on the pool of
    its product's crop and grade, and is not picked beyond what it wants; what is promised of a
    product is on the order; nothing is bought in, or another plant, without consent; days
    follow each other: packed, handed over, arrived.
    """
    for reference, promise, state in books.rows(EMPTY):
        said = f"its promise {promise} ({state}) has no lines"
        yield Wrong("promises", f"Order '{reference}'", said, _ASK)
    for reference, code, plugs, picked, quantity, state, elsewhere in books.rows(LINES):
        where = " from another crop's or grade's pool" if elsewhere else ""
        said = f"{state}: {quantity} x {code} as {plugs} plugs{where}, {picked} of them picked"
        yield Wrong("promises", f"Order '{reference}'", said, _ASK)
    for reference, code, bought_in in books.rows(AGREED):
        kind = "bought in" if bought_in else "sent in place of what was ordered"
        said = f"{code} is promised as {kind}; that its customer agreed is not on the books"
        yield Wrong("promises", f"Order '{reference}'", said, _ASK)
    for reference, code, promised, ordered in books.rows(ORDERED):
        said = f"{promised} x {code} are promised, {ordered} were ordered"
        yield Wrong("promises", f"Order '{reference}'", said, _ASK)
    for reference, pack_on, ship_on, first, last in books.rows(DATES):
        said = f"packed {pack_on}, handed over {ship_on}, arrives {first} to {last}"
        yield Wrong("promises", f"Order '{reference}'", said, _ASK)


def day_capacity(books: Snapshot) -> Iterator[Wrong]:
    """No parcel came on a ship day, by the shop, that had no packing minutes left for it.

    A dispatch plan may overload a day where nothing else is left, and says so itself: a day on
    which the last parcel was put by the nursery is no fault.
    """
    for day, needed, there in books.rows(DAYS):
        placed = books.rows(PLACED, day=day)
        if placed and placed[0][0] not in ("reserved", "amended"):
            continue
        said = f"its parcels need {needed} packing minutes, the day has {there}"
        todo = "Give the day more minutes, or let `nursery dispatch` level the days"
        yield Wrong("day capacity", f"Ship day {day}", said, todo)
