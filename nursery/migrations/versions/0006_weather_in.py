"""Where forecasts are fetched, errors of forecasts, caution bands, the way, days decided by hand"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

# Written as SQL: rebuilding a table on SQLite would drop the triggers that stand on it.
COLUMNS = (
    ("product", "caution_c", "1.0", "caution_c >= 0 AND caution_c <= 10"),
    ("carrier_service", "warmer_c", "0.0", "warmer_c >= 0 AND warmer_c <= 30"),
    ("site", "forecast_error_c", "1.2", "forecast_error_c >= 0 AND forecast_error_c <= 20"),
    ("site", "forecast_drift_c", "0.35", "forecast_drift_c >= 0 AND forecast_drift_c <= 5"),
)
STAMPED = ("way_station", "hold_decision")
"""Promises rest on these: the triggers are as in 0002."""
STAMPS = 4503599627370496
EVENTS = ("INSERT", "UPDATE", "DELETE")


def upgrade() -> None:
    for table, name, value, rule in COLUMNS:
        op.execute(
            f"ALTER TABLE {table} ADD COLUMN {name} FLOAT DEFAULT {value} NOT NULL"
            f" CONSTRAINT ck_{table}_{name} CHECK ({rule})"
        )
    _sources()
    _decisions()
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
    for table in ("hold_decision", "way_station", "forecast_pull", "forecast_source"):
        op.drop_table(table)
    for table, name, *_ in reversed(COLUMNS):
        op.drop_column(table, name)


def _sources() -> None:
    op.create_table(
        "forecast_source",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.Column("address", sa.String(length=500), nullable=False),
        sa.Column("days_at", sa.String(length=120), nullable=False),
        sa.Column("day_field", sa.String(length=120), nullable=False),
        sa.Column("min_field", sa.String(length=120), nullable=False),
        sa.Column("max_field", sa.String(length=120), nullable=False),
        sa.Column("issued_at", sa.String(length=120), nullable=False),
        sa.Column("unit", sa.String(length=32), nullable=False),
        sa.Column("time_zone", sa.String(length=60), nullable=False),
        sa.CheckConstraint("unit IN ('°C', '°F')", name="ck_forecast_source_unit_word"),
        sa.CheckConstraint("length(address) > 0", name="ck_forecast_source_address"),
        sa.ForeignKeyConstraint(["station_id"], ["station.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("station_id"),
    )
    op.create_table(
        "forecast_pull",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.Column("tried_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("good_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("warning", sa.String(length=400), nullable=False),
        sa.ForeignKeyConstraint(["station_id"], ["station.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("station_id"),
    )


def _decisions() -> None:
    op.create_table(
        "way_station",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("zone_id", sa.Integer(), nullable=False),
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["station_id"], ["station.id"]),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("zone_id", "station_id", name="uq_way_station"),
    )
    op.create_index("ix_way_station_zone_id", "way_station", ["zone_id"])
    op.create_table(
        "hold_decision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("place", sa.String(length=60), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=False),
        sa.Column("opens", sa.Boolean(), nullable=False),
        sa.Column("decided_by", sa.String(length=60), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("last_day >= first_day", name="ck_hold_decision_days"),
        sa.CheckConstraint(
            "length(decided_by) > 0 AND length(reason) > 0", name="ck_hold_decision_name"
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("place", "first_day", "decided_at", name="uq_hold_decision"),
    )
