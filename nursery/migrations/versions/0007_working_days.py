"""The weekdays on which the nursery is worked"""

from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

RULE = (
    "length(working_days) = 7 AND working_days <> '0000000'"
    " AND replace(replace(working_days, '0', ''), '1', '') = ''"
)


def upgrade() -> None:
    # Written as SQL: rebuilding `site` on SQLite would drop the triggers that stand on it.
    op.execute(
        "ALTER TABLE site ADD COLUMN working_days VARCHAR(7) DEFAULT '1111100' NOT NULL"
        f" CONSTRAINT ck_site_working_days CHECK ({RULE})"
    )


def downgrade() -> None:
    op.drop_column("site", "working_days")
