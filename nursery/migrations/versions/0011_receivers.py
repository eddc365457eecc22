"""Receivers of webhooks, and what is on its way to them"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "receiver",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("address", sa.String(length=500), nullable=False),
        sa.Column("secret", sa.String(length=120), nullable=False),
        sa.Column("kinds", sa.JSON(), nullable=False),
        sa.Column("made_by", sa.String(length=60), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("off_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("off_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("length(name) > 0 AND length(made_by) > 0", name="ck_receiver_name"),
        sa.CheckConstraint("length(address) > 0", name="ck_receiver_address"),
        sa.CheckConstraint(
            "length(secret) > 6 AND secret LIKE 'whsec_%'", name="ck_receiver_secret"
        ),
        sa.CheckConstraint("(off_at IS NULL) = (off_by = '')", name="ck_receiver_off"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    states = "'waiting', 'delivered', 'withdrawn', 'given up'"
    op.create_table(
        "delivery",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("receiver_id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.Column("message_id", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reached", sa.Boolean(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=True),
        sa.Column("last_answer", sa.String(length=200), nullable=False),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(f"state IN ({states})", name="ck_delivery_state_word"),
        sa.CheckConstraint("tries >= 0", name="ck_delivery_tries"),
        sa.CheckConstraint(
            "(state = 'waiting') = (settled_at IS NULL)", name="ck_delivery_settled"
        ),
        sa.ForeignKeyConstraint(["event_id"], ["promise_event.id"]),
        sa.ForeignKeyConstraint(["receiver_id"], ["receiver.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("message_id"),
        sa.UniqueConstraint("receiver_id", "event_id", name="uq_delivery_receiver_event"),
    )
    waiting = sa.text("state = 'waiting'")
    op.create_index(
        "ix_delivery_waiting",
        "delivery",
        ["receiver_id", "next_try_at"],
        sqlite_where=waiting,
        postgresql_where=waiting,
    )
    op.create_index("ix_delivery_event_id", "delivery", ["event_id"])
    op.create_index("ix_delivery_settled_at", "delivery", ["settled_at"])


def downgrade() -> None:
    op.drop_table("delivery")
    op.drop_table("receiver")
