"""Boxes that keep moisture in; how many heat and cold packs there are, and how more come"""

from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_COLUMNS = (
    ("parcel_box", "vapour_share", "FLOAT DEFAULT 1.0 NOT NULL",
     "vapour_share > 0 AND vapour_share <= 1"),
    ("travel_pack", "in_stock", "INTEGER", "in_stock IS NULL OR in_stock >= 0"),
    ("travel_pack", "spare", "INTEGER DEFAULT 0 NOT NULL", "spare >= 0"),
    ("travel_pack", "lead_days", "INTEGER DEFAULT 14 NOT NULL", "lead_days >= 0"),
    ("travel_pack", "sold_in", "INTEGER DEFAULT 1 NOT NULL", "sold_in >= 1"),
)  # fmt: skip


def upgrade() -> None:
    # Written as SQL: rebuilding a table on SQLite would drop the triggers that stand on it.
    for table, name, sort, rule in _COLUMNS:
        op.execute(
            f"ALTER TABLE {table} ADD COLUMN {name} {sort}"
            f" CONSTRAINT ck_{table}_{name} CHECK ({rule})"
        )


def downgrade() -> None:
    for table, name, *_ in reversed(_COLUMNS):
        op.drop_column(table, name)
