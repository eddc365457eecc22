"""Shade and covers of areas, packs and care cards for parcels, trials of wraps"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

STAMPED = ("shade_change", "travel_pack")
"""Promises rest on these: the triggers are as in 0002."""
STAMPS = 4503599627370496
EVENTS = ("INSERT", "UPDATE", "DELETE")


def upgrade() -> None:
    _shade()
    _packing()
    lite = op.get_bind().dialect.name == "sqlite"
    for table in STAMPED:
        for event in EVENTS:
            name = f"CREATE TRIGGER stamp_{table}_{event.lower()} AFTER {event} ON {table}"
            op.execute(
                f"{name} FOR EACH ROW WHEN 1 BEGIN DELETE FROM fact_stamp;"
                f" INSERT INTO fact_stamp (stamp) VALUES (abs(random() % {STAMPS})); END"
                if lite
                else f"{name} FOR EACH STATEMENT EXECUTE FUNCTION stamp_facts()"
            )


def downgrade() -> None:
    # A table takes its triggers with it.
    for table in ("care_card", "wrap_trial", "travel_pack", "shade_change", "shade_setting"):
        op.drop_table(table)


def _shade() -> None:
    op.create_table(
        "shade_setting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("area_id", sa.Integer(), nullable=False),
        sa.Column("most_layers", sa.Integer(), nullable=False),
        sa.Column("limit_c", sa.Float(), nullable=True),
        sa.Column("chance", sa.Float(), nullable=False),
        sa.Column("change_minutes", sa.Float(), nullable=False),
        sa.Column("persons", sa.Integer(), nullable=False),
        sa.Column("change_cents", sa.Integer(), nullable=False),
        sa.Column("light_cents", sa.Integer(), nullable=False),
        sa.Column("cover_c", sa.Float(), nullable=False),
        sa.Column("cover_minutes", sa.Float(), nullable=False),
        sa.Column("carry_minutes", sa.Float(), nullable=False),
        sa.CheckConstraint("most_layers >= 0 AND most_layers <= 9", name="ck_shade_setting_layers"),
        sa.CheckConstraint("chance > 0 AND chance < 1", name="ck_shade_setting_chance"),
        sa.CheckConstraint(
            "change_minutes >= 0 AND change_cents >= 0 AND light_cents >= 0 AND persons >= 1",
            name="ck_shade_setting_costs",
        ),
        sa.CheckConstraint(
            "cover_c >= 0 AND cover_minutes >= 0 AND carry_minutes >= 0",
            name="ck_shade_setting_cover",
        ),
        sa.ForeignKeyConstraint(["area_id"], ["growing_area.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("area_id"),
    )
    op.create_table(
        "shade_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("area_id", sa.Integer(), nullable=False),
        sa.Column("on_day", sa.Date(), nullable=False),
        sa.Column("layers", sa.Integer(), nullable=False),
        sa.Column("decided_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("layers >= 0 AND layers <= 9", name="ck_shade_change_layers"),
        sa.ForeignKeyConstraint(["area_id"], ["growing_area.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("area_id", "on_day", name="uq_shade_change_day"),
    )
    op.create_index("ix_shade_change_area_id", "shade_change", ["area_id"])


def _packing() -> None:
    op.create_table(
        "travel_pack",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("against", sa.String(length=32), nullable=False),
        sa.Column("hours", sa.Float(), nullable=False),
        sa.Column("covers_c", sa.Float(), nullable=False),
        sa.Column("outside_c", sa.Float(), nullable=False),
        sa.Column("cost_cents", sa.Integer(), nullable=False),
        sa.Column("weight_g", sa.Integer(), nullable=False),
        sa.Column("minutes", sa.Float(), nullable=False),
        sa.CheckConstraint("against IN ('heat', 'frost')", name="ck_travel_pack_against_word"),
        sa.CheckConstraint("hours > 0 AND covers_c > 0", name="ck_travel_pack_hours"),
        sa.CheckConstraint(
            "cost_cents >= 0 AND weight_g >= 0 AND minutes >= 0", name="ck_travel_pack_money"
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "wrap_trial",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("wrap_id", sa.Integer(), nullable=False),
        sa.Column("weighed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("grams_before", sa.Float(), nullable=False),
        sa.Column("grams_after", sa.Float(), nullable=False),
        sa.Column("hours", sa.Float(), nullable=False),
        sa.Column("mean_c", sa.Float(), nullable=False),
        sa.Column("humidity", sa.Float(), nullable=True),
        sa.Column("night_c", sa.Float(), nullable=True),
        sa.Column("plants_take_g_per_h", sa.Float(), nullable=False),
        sa.Column("weighed_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("grams_before > 0 AND grams_after >= 0", name="ck_wrap_trial_grams"),
        sa.CheckConstraint("grams_after <= grams_before", name="ck_wrap_trial_lost"),
        sa.CheckConstraint("hours > 0 AND plants_take_g_per_h >= 0", name="ck_wrap_trial_hours"),
        sa.CheckConstraint(
            "humidity IS NULL OR (humidity >= 0 AND humidity < 1)", name="ck_wrap_trial_humidity"
        ),
        sa.CheckConstraint("humidity IS NOT NULL OR night_c IS NOT NULL", name="ck_wrap_trial_air"),
        sa.CheckConstraint("night_c IS NULL OR night_c <= mean_c", name="ck_wrap_trial_night"),
        sa.ForeignKeyConstraint(["wrap_id"], ["wrap.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("wrap_id", "weighed_at", name="uq_wrap_trial"),
    )
    op.create_index("ix_wrap_trial_wrap_id", "wrap_trial", ["wrap_id"])
    texts = ("unwrap", "plant", "shade", "pests", "more")
    op.create_table(
        "care_card",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("within_days", sa.Integer(), nullable=True),
        *(sa.Column(name, sa.String(length=300), nullable=False) for name in texts),
        sa.CheckConstraint(
            "within_days IS NULL OR within_days BETWEEN 1 AND 60", name="ck_care_card_within"
        ),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("product_id"),
    )
