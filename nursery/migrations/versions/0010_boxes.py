"""Boxes, the room that products take in them, and the heaviest that anybody lifts"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "parcel_box",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("room", sa.Integer(), nullable=False),
        sa.Column("weight_g", sa.Integer(), nullable=False),
        sa.Column("cost_cents", sa.Integer(), nullable=False),
        sa.CheckConstraint("room >= 1", name="ck_parcel_box_room"),
        sa.CheckConstraint("weight_g >= 0 AND cost_cents >= 0", name="ck_parcel_box_money"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    # Written as SQL: rebuilding a table on SQLite would drop the triggers that stand on it.
    for table, name, value, rule in (
        ("product", "box_units", 0, "box_units >= 0"),
        ("product", "weight_g", 0, "weight_g >= 0"),
        ("site", "lift_g", 15000, "lift_g >= 1"),
    ):
        op.execute(
            f"ALTER TABLE {table} ADD COLUMN {name} INTEGER DEFAULT {value} NOT NULL"
            f" CONSTRAINT ck_{table}_{name} CHECK ({rule})"
        )


def downgrade() -> None:
    op.drop_column("site", "lift_g")
    op.drop_column("product", "weight_g")
    op.drop_column("product", "box_units")
    op.drop_table("parcel_box")
