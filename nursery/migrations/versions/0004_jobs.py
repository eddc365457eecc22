"""Plans that are being made, so that any server process can watch and stop them"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "plan_job",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("stop_asked", sa.Boolean(), nullable=False),
        sa.Column("arguments", sa.Text(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("told_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("cost", sa.BigInteger(), nullable=True),
        sa.Column("bound", sa.BigInteger(), nullable=True),
        sa.Column("made", sa.Text(), nullable=True),
        sa.Column("refusal", sa.Text(), nullable=True),
        sa.CheckConstraint("kind IN ('propagation', 'dispatch')", name="ck_plan_job_kind_word"),
        sa.CheckConstraint(
            "state IN ('running', 'done', 'refused', 'failed', 'cancelled')",
            name="ck_plan_job_state_word",
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_plan_job_told_at", "plan_job", ["told_at"])
    op.create_index(
        "uq_plan_job_running",
        "plan_job",
        ["kind"],
        unique=True,
        sqlite_where=sa.text("state = 'running'"),
        postgresql_where=sa.text("state = 'running'"),
    )


def downgrade() -> None:
    op.drop_table("plan_job")
