"""Learned transit in use, days for which a blocked zone is opened, postage by weight"""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

STAMPED = ("transit_taken", "zone_opening", "postage_band")
"""Promises rest on these: the triggers are as in 0002."""
STAMPS = 4503599627370496
EVENTS = ("INSERT", "UPDATE", "DELETE")


def upgrade() -> None:
    _transit_taken()
    _zone_opening()
    _postage_band()
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
    for table in ("postage_band", "zone_opening", "transit_taken"):
        op.drop_table(table)


def _transit_taken() -> None:
    op.create_table(
        "transit_taken",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("service_id", sa.Integer(), nullable=False),
        sa.Column("zone_id", sa.Integer(), nullable=False),
        sa.Column("shares", sa.JSON(), nullable=False),
        sa.Column("parcels", sa.Integer(), nullable=False),
        sa.Column("on_the_way", sa.Integer(), nullable=False),
        sa.Column("taken_by", sa.String(length=60), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("put_back_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("put_back_by", sa.String(length=60), nullable=False),
        sa.Column("put_back_reason", sa.String(length=200), nullable=False),
        sa.CheckConstraint("parcels >= 1 AND on_the_way >= 0", name="ck_transit_taken_parcels"),
        sa.CheckConstraint(
            "length(taken_by) > 0 AND length(reason) > 0", name="ck_transit_taken_name"
        ),
        sa.CheckConstraint(
            "(put_back_at IS NULL) = (put_back_by = '')"
            " AND (put_back_at IS NULL) = (put_back_reason = '')",
            name="ck_transit_taken_put_back",
        ),
        sa.ForeignKeyConstraint(["service_id"], ["carrier_service.id"]),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_transit_taken_service_id", "transit_taken", ["service_id"])
    op.create_index("ix_transit_taken_zone_id", "transit_taken", ["zone_id"])


def _zone_opening() -> None:
    op.create_table(
        "zone_opening",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("zone_id", sa.Integer(), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=False),
        sa.Column("opened_by", sa.String(length=60), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_by", sa.String(length=60), nullable=False),
        sa.Column("ended_reason", sa.String(length=200), nullable=False),
        sa.CheckConstraint("last_day >= first_day", name="ck_zone_opening_days"),
        sa.CheckConstraint(
            "length(opened_by) > 0 AND length(reason) > 0", name="ck_zone_opening_name"
        ),
        sa.CheckConstraint(
            "(ended_at IS NULL) = (ended_by = '') AND (ended_at IS NULL) = (ended_reason = '')",
            name="ck_zone_opening_ended",
        ),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_zone_opening_zone_id", "zone_opening", ["zone_id"])


def _postage_band() -> None:
    op.create_table(
        "postage_band",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("service_id", sa.Integer(), nullable=False),
        sa.Column("zone_id", sa.Integer(), nullable=False),
        sa.Column("up_to_g", sa.Integer(), nullable=False),
        sa.Column("price_cents", sa.Integer(), nullable=False),
        sa.CheckConstraint("up_to_g >= 1", name="ck_postage_band_up_to"),
        sa.CheckConstraint("price_cents >= 0", name="ck_postage_band_price"),
        sa.ForeignKeyConstraint(["service_id"], ["carrier_service.id"]),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("service_id", "zone_id", "up_to_g", name="uq_postage_band"),
    )
    op.create_index("ix_postage_band_service_id", "postage_band", ["service_id"])
    op.create_index("ix_postage_band_zone_id", "postage_band", ["zone_id"])
