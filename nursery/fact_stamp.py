"""Has anything changed that promises rest on, beside the pools and the ship days themselves?

Pools and ship days have versions, which their writers raise under their locks. Everything else (the
site, products, carriers, closures, weather, batches that grow, counts, plans) changes rarely, by
many hands. Triggers in the database write a random stamp whenever one of those rows is written, by
whatever program; readers keep what they worked out for as long as the stamps stand. Random, not
counted up: a stamp that was rolled back never comes again with another meaning. Rows of their own,
not one counter: writers on PostgreSQL never wait for each other because of them.
"""

from __future__ import annotations

from sqlalchemy import BigInteger
from sqlmodel import Field, SQLModel

UNSTAMPED = frozenset(
    {
        "absence",
        "care_card",
        "customer_order",
        "day_entry",
        "delivery",
        "fact_stamp",
        "forecast_pull",
        "forecast_source",
        "idempotency_key",
        "kept_rota",
        "lot",
        "material",
        "movement",
        "old_secret",
        "order_line",
        "pick_print",
        "plan_job",
        "pool",
        "promise",
        "promise_event",
        "promise_line",
        "receiver",
        "recurring_work",
        "reship",
        "shade_setting",
        "ship_day",
        "task_record",
        "wrap_trial",
    }
)
"""Tables whose every change is not stamped.

Lots, pools, promises and their lines change under a pool's or a ship day's version; of pools only
new ones are stamped, of movements those of plugs that still grow, of ship days their minutes. The
others say nothing that a promise rests on.
"""


class FactStamp(SQLModel, table=True):
    """One change of the facts: a random number. Old ones are cleared away by the triggers."""

    __tablename__ = "fact_stamp"
    id: int | None = Field(default=None, primary_key=True)
    stamp: int = Field(sa_type=BigInteger)
