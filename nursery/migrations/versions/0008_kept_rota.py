"""The rota of a week as it was handed out"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "kept_rota",
        sa.Column("week", sa.String(length=8), nullable=False),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("plan", sa.String(), nullable=False),
        sa.CheckConstraint("length(week) = 8", name="ck_kept_rota_week"),
        sa.PrimaryKeyConstraint("week"),
    )


def downgrade() -> None:
    op.drop_table("kept_rota")
