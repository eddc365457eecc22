"""Where news of promises goes as signed webhooks, and how each piece of it stands on its way."""

from datetime import datetime
from enum import StrEnum

from sqlalchemy import JSON, Index, UniqueConstraint, text
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, UtcDateTime, check, one_of
from nursery.order import PromiseEvent

GONE = "410 Gone"
"""Who switched a receiver off that answered so: itself."""


class DeliveryState(StrEnum):
    """How far is a piece of news on its way to one receiver?"""

    WAITING = "waiting"
    DELIVERED = "delivered"
    WITHDRAWN = "withdrawn"
    GIVEN_UP = "given up"


class Receiver(SQLModel, table=True):
    """An address of the shop's that hears what happens to promises, from when it was made.

    `kinds` are the words of the events that it wants (`order.EventKind`). The secret signs what is
    sent; it is kept as it is, since a digest could sign nothing, and is never shown again. While
    `off_at` is set nothing new is taken up for it; `off_by` says who did that. Moments here and on
    deliveries are the database's own clock, which no site shifts.
    """

    __tablename__ = "receiver"
    __table_args__ = (
        check("receiver", "name", "length(name) > 0 AND length(made_by) > 0"),
        check("receiver", "address", "length(address) > 0"),
        check("receiver", "secret", "length(secret) > 6 AND secret LIKE 'whsec_%'"),
        check("receiver", "off", "(off_at IS NULL) = (off_by = '')"),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    address: str = Field(max_length=500)
    secret: str = Field(max_length=120, repr=False)
    kinds: list[str] = Field(default_factory=list, sa_type=JSON)
    made_by: str = Field(max_length=60)
    made_at: datetime = Field(sa_type=UtcDateTime)
    off_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    off_by: str = Field(default="", max_length=60)


class OldSecret(SQLModel, table=True):
    """A receiver's secret that was replaced, and signs beside the new one until `signs_until`.

    Cleared away some time after it has ended.
    """

    __tablename__ = "old_secret"
    __table_args__ = (
        check("old_secret", "secret", "length(secret) > 6 AND secret LIKE 'whsec_%'"),
        check("old_secret", "by", "length(replaced_by) > 0"),
        check("old_secret", "until", "signs_until > replaced_at"),
    )
    id: int | None = Field(default=None, primary_key=True)
    receiver_id: int = Field(foreign_key="receiver.id", index=True)
    secret: str = Field(max_length=120, repr=False)
    signs_until: datetime = Field(sa_type=UtcDateTime)
    replaced_by: str = Field(max_length=60)
    replaced_at: datetime = Field(sa_type=UtcDateTime)


_WAITING = text("state = 'waiting'")


class Delivery(SQLModel, table=True):
    """One event on its way to one receiver: under the same `message_id` each time it is sent.

    Whoever sends it holds it until `leased_until`, without a lock; afterwards anybody may.
    `reached` says that the receiver may have got it, whatever it answered. `before` has the days
    last told, where this event is told instead of earlier ones that were withdrawn.
    """

    __tablename__ = "delivery"
    __table_args__ = (
        UniqueConstraint("receiver_id", "event_id", name="uq_delivery_receiver_event"),
        one_of("delivery", "state", DeliveryState),
        check("delivery", "tries", "tries >= 0"),
        check("delivery", "settled", "(state = 'waiting') = (settled_at IS NULL)"),
        Index(
            "ix_delivery_waiting",
            "receiver_id",
            "next_try_at",
            sqlite_where=_WAITING,
            postgresql_where=_WAITING,
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    receiver_id: int = Field(foreign_key="receiver.id")
    event_id: int = Field(foreign_key="promise_event.id", index=True)
    message_id: str = Field(unique=True, max_length=40)
    state: DeliveryState = Field(default=DeliveryState.WAITING, sa_type=Kind(DeliveryState))
    tries: int = 0
    next_try_at: datetime = Field(sa_type=UtcDateTime)
    leased_until: datetime | None = Field(default=None, sa_type=UtcDateTime)
    reached: bool = False
    before: dict[str, object] | None = Field(default=None, sa_type=JSON)
    last_answer: str = Field(default="", max_length=200)
    settled_at: datetime | None = Field(default=None, sa_type=UtcDateTime, index=True)
    receiver: Receiver = Relationship()
    event: PromiseEvent = Relationship()
