"""What the trolley holds, and where the packing table stands"""

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Written as SQL: rebuilding `site` on SQLite would drop the triggers that stand on it.
    op.execute(
        "ALTER TABLE site ADD COLUMN trolley_trays INTEGER DEFAULT 12 NOT NULL"
        " CONSTRAINT ck_site_trolley_trays CHECK (trolley_trays >= 1)"
    )
    op.execute("ALTER TABLE site ADD COLUMN table_x_m FLOAT DEFAULT 0.0 NOT NULL")


def downgrade() -> None:
    op.drop_column("site", "table_x_m")
    op.drop_column("site", "trolley_trays")
