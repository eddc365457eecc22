"""Jobs that ask what would help where a plan leaves something unmet, and how far they are"""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

KEPT = "id, kind, state, stop_asked, arguments, started_at, told_at, cost, bound, made, refusal"


def upgrade() -> None:
    _remade(
        "'propagation', 'dispatch', 'relief'",
        sa.Column("steps_done", sa.Integer(), nullable=True),
        sa.Column("steps", sa.Integer(), nullable=True),
        sa.CheckConstraint("steps_done <= steps AND steps_done >= 0", name="ck_plan_job_steps"),
    )


def downgrade() -> None:
    op.execute("DELETE FROM plan_job WHERE kind = 'relief'")
    _remade("'propagation', 'dispatch'")


def _remade(kinds: str, *more: sa.Column[int] | sa.CheckConstraint) -> None:
    """The table made anew with what is in it: SQLite changes no CHECK of a table that is there."""
    op.drop_index("ix_plan_job_told_at", table_name="plan_job")
    op.drop_index("uq_plan_job_running", table_name="plan_job")
    op.rename_table("plan_job", "plan_job_before")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("ALTER INDEX plan_job_pkey RENAME TO plan_job_before_pkey")
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
        *more,
        sa.CheckConstraint(f"kind IN ({kinds})", name="ck_plan_job_kind_word"),
        sa.CheckConstraint(
            "state IN ('running', 'done', 'refused', 'failed', 'cancelled')",
            name="ck_plan_job_state_word",
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.execute(f"INSERT INTO plan_job ({KEPT}) SELECT {KEPT} FROM plan_job_before")
    op.drop_table("plan_job_before")
    running = sa.text("state = 'running'")
    op.create_index("ix_plan_job_told_at", "plan_job", ["told_at"])
    op.create_index(
        "uq_plan_job_running",
        "plan_job",
        ["kind"],
        unique=True,
        sqlite_where=running,
        postgresql_where=running,
    )
