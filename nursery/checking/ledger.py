"""Does the ledger add up?"""

from __future__ import annotations

from collections.abc import Iterator

from nursery.checking.snapshot import Snapshot, Wrong

_COUNT = "Count the batch again (`nursery count`) and restore a backup if the rows were lost"

BALANCES = """
SELECT batch.code, m.sequence, m.plugs, m.balance, m.before_sequence, m.before_balance
FROM (SELECT batch_id, sequence, plugs, balance,
             COALESCE(LAG(sequence) OVER w, 0) AS before_sequence,
             COALESCE(LAG(balance) OVER w, 0) AS before_balance
      FROM movement WINDOW w AS (PARTITION BY batch_id ORDER BY sequence)) AS m
JOIN batch ON batch.id = m.batch_id
WHERE m.sequence <> m.before_sequence + 1 OR m.balance <> m.before_balance + m.plugs
   OR m.balance < 0
ORDER BY batch.code, m.sequence"""

LOTS = """
SELECT batch.code, lot.id, lot.plugs, COALESCE(SUM(movement.plugs), 0)
FROM lot JOIN batch ON batch.id = lot.batch_id
LEFT JOIN movement ON movement.lot_id = lot.id
GROUP BY batch.code, lot.id, lot.plugs
HAVING lot.plugs <> COALESCE(SUM(movement.plugs), 0) OR lot.plugs < 0
ORDER BY batch.code, lot.id"""

GROWING = """
SELECT batch.code, SUM(movement.plugs)
FROM movement JOIN batch ON batch.id = movement.batch_id WHERE movement.lot_id IS NULL
GROUP BY batch.code HAVING SUM(movement.plugs) < 0 ORDER BY batch.code"""

OTHER_BATCH = """
SELECT batch.code, movement.sequence, movement.lot_id
FROM movement JOIN batch ON batch.id = movement.batch_id
LEFT JOIN lot ON lot.id = movement.lot_id
WHERE movement.lot_id IS NOT NULL AND (lot.id IS NULL OR lot.batch_id <> movement.batch_id)
ORDER BY batch.code, movement.sequence"""

OTHER_CROP = """
SELECT batch.code, lot.id FROM lot
JOIN batch ON batch.id = lot.batch_id JOIN pool ON pool.id = lot.pool_id
WHERE pool.crop_id <> batch.crop_id ORDER BY batch.code, lot.id"""

PICKED = """
SELECT customer_order.reference, product.code, promise_line.picked,
       COALESCE(-SUM(movement.plugs), 0)
FROM promise_line JOIN promise ON promise.id = promise_line.promise_id
JOIN customer_order ON customer_order.id = promise.order_id
JOIN product ON product.id = promise_line.product_id
LEFT JOIN movement ON movement.promise_line_id = promise_line.id AND movement.kind = 'picked'
GROUP BY promise_line.id, customer_order.reference, product.code, promise_line.picked
HAVING promise_line.picked <> COALESCE(-SUM(movement.plugs), 0)
ORDER BY customer_order.reference, product.code"""


def ledger(books: Snapshot) -> Iterator[Wrong]:
    """Every batch's rows are numbered 1, 2, 3, ...; each balance is the one before it plus the
    row's plugs, never below 0; each lot's plugs are the sum of its rows, and rows of a lot are rows
    of the lot's own batch; growing plugs are never below 0; what a line says is picked is what the
    ledger's picks for it sum to.
    """
    for code, at, plugs, balance, _, before in books.rows(BALANCES):
        said = f"its ledger's row {at} has {plugs:+} plugs after a balance of {before}, and says "
        yield Wrong("ledger", f"Batch '{code}'", f"{said}{balance}, or a row is missing", _COUNT)
    for code, lot, plugs, moved in books.rows(LOTS):
        said = f"lot {lot} says {plugs} plugs, its ledger's rows sum to {moved}"
        yield Wrong("ledger", f"Batch '{code}'", said, _COUNT)
    for code, plugs in books.rows(GROWING):
        yield Wrong("ledger", f"Batch '{code}'", f"its growing plugs sum to {plugs}", _COUNT)
    for code, at, lot in books.rows(OTHER_BATCH):
        said = f"its ledger's row {at} moves lot {lot}, which is no lot of this batch"
        yield Wrong("ledger", f"Batch '{code}'", said, _COUNT)
    for code, lot in books.rows(OTHER_CROP):
        said = f"its lot {lot} stands in the pool of another crop"
        yield Wrong("ledger", f"Batch '{code}'", said, "Restore a backup from before that")
    for reference, code, said_picked, moved in books.rows(PICKED):
        said = f"{said_picked} plugs of {code} are said to be picked, the ledger has {moved}"
        yield Wrong("ledger", f"Order '{reference}'", said, "Look into the parcel and recount")


def difference(books: Snapshot) -> int:
    """By how many plugs do lots and ledger differ in all?"""
    return sum(abs(int(plugs) - int(moved)) for _, _, plugs, moved in books.rows(LOTS))
