"""Which rows say that a parcel of a group is reserved, and what is its customer told?

The same rows that `promise.reserve` writes through its classes, as plain values: what all parcels
of one way and one moment share is put into words once.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import orjson
from sqlalchemy import Connection

from nursery.order import EventKind, State
from nursery.promising.bulk_rows import told_of_way
from nursery.promising.group_books import Granted
from nursery.promising.group_sql import moment_text
from nursery.promising.ship_days import Way
from nursery.promising.told import Told, ToldLine

_RESERVED, _TOLD = State.RESERVED.value, EventKind.RESERVED.value


class ReservedRows:
    """The rows of one group's reservations, all made `at` one moment and kept `until` another."""

    def __init__(
        self,
        connection: Connection,
        at: datetime,
        until: datetime,
        rows: dict[str, list[tuple[Any, ...]]],
    ) -> None:
        self._until = until
        self._at, self._ends = moment_text(connection, at), moment_text(connection, until)
        self._rows = rows
        self._ways: dict[int, tuple[Way, tuple[Any, ...], str]] = {}

    def put(self, granted: Granted, promise_id: int, order_id: int) -> Told:
        """Put the rows of this promise, its order and its event to the others."""
        wish, parcel, rows = granted.wish, granted.parcel, self._rows
        way, days, detail = self._way(granted.way)
        country = wish.destination.country.strip().upper()
        postcode = wish.destination.postcode.strip()
        first, last = wish.window.not_before, wish.window.not_after
        rows["customer_order"].append(
            (
                *(order_id, wish.reference, self._at, country, postcode, granted.zone_id),
                *(first and first.isoformat(), last and last.isoformat()),
                *(wish.consent.may_split, wish.consent.may_substitute, 1, wish.label_reference),
            )
        )
        rows["promise"].append(
            (promise_id, order_id, *days, self._ends, parcel.minutes + way.pack_minutes, ""),
        )
        lines, told = rows["promise_line"], []
        for item in parcel.items:
            asked = (item.product_id, item.quantity)
            rows["order_line"].append((order_id, *asked))
            lines.append((promise_id, item.product_id, item.pool_id, *asked[1:], item.plugs, 0))
            told.append(ToldLine(item.code, item.quantity, item.plugs, 0, item.product_id))
        rows["promise_event"].append((promise_id, _TOLD, self._at, wish.actor, detail))
        return Told(
            id=promise_id,
            reference=wish.reference,
            state=State.RESERVED,
            ship_on=way.leg.ship_on,
            first_ship_on=way.leg.ship_on,
            pack_on=way.leg.pack_on,
            arrives_from=way.arrives_from,
            arrives_until=way.arrives_until,
            probability=way.probability,
            service=way.lane.service,
            country=country,
            postcode=postcode,
            reserved_until=self._until,
            tracking="",
            repack_by=None,
            lines=tuple(told),
        )

    def _way(self, way: Way) -> tuple[Way, tuple[Any, ...], str]:
        """The way, its columns of a promise, and what its customer is told of it."""
        known = self._ways.get(id(way))  # the way is kept with it, so that its id stays its own
        if known is None:
            ship_on = way.leg.ship_on.isoformat()
            arrives = way.arrives_from.isoformat(), way.arrives_until.isoformat()
            days = (
                *(way.lane.service_id, _RESERVED, ship_on, ship_on, way.leg.pack_on.isoformat()),
                *(*arrives, way.probability),
            )
            detail = {"until": self._until.isoformat(), **told_of_way(way)}
            known = self._ways[id(way)] = (way, days, orjson.dumps(detail).decode())
        return known
