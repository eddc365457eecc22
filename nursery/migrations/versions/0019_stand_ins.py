"""A stored dispatch keeps which line of which order goes with which plants"""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column(
        "plan_version",
        sa.Column("stand_ins", sa.JSON(), server_default="[]", nullable=False),
    )


def downgrade() -> None:
    op.drop_column("plan_version", "stand_ins")
