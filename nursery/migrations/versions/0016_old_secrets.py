"""Secrets of webhooks that were replaced and sign on for a time"""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "old_secret",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("receiver_id", sa.Integer(), nullable=False),
        sa.Column("secret", sa.String(length=120), nullable=False),
        sa.Column("signs_until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("replaced_by", sa.String(length=60), nullable=False),
        sa.Column("replaced_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "length(secret) > 6 AND secret LIKE 'whsec_%'", name="ck_old_secret_secret"
        ),
        sa.CheckConstraint("length(replaced_by) > 0", name="ck_old_secret_by"),
        sa.CheckConstraint("signs_until > replaced_at", name="ck_old_secret_until"),
        sa.ForeignKeyConstraint(["receiver_id"], ["receiver.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_old_secret_receiver_id", "old_secret", ["receiver_id"])


def downgrade() -> None:
    op.drop_table("old_secret")
