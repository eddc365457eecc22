"""Stamps that tell readers when the facts that promises rest on have changed"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

WHOLE = (
    "batch",
    "bench",
    "bench_slot",
    "carrier_service",
    "closure",
    "cold_hold",
    "count",
    "crop",
    "demand",
    "flush_record",
    "forecast",
    "growing_area",
    "learned_use",
    "month_normal",
    "mother_block",
    "mother_pause",
    "person",
    "plan_version",
    "planned_start",
    "product",
    "protocol",
    "seed_lot",
    "site",
    "stage",
    "stage_record",
    "stand_apart",
    "station",
    "token",
    "transit",
    "tray_format",
    "veto",
    "weather_day",
    "wrap",
    "zone",
    "zone_prefix",
)
# Only some changes of these count: (table, what happens, which rows).
PARTLY = (
    ("movement", "INSERT", "NEW.lot_id IS NULL OR NEW.kind = 'regraded'"),
    ("movement", "UPDATE", "NEW.lot_id IS NULL OR OLD.lot_id IS NULL OR NEW.kind = 'regraded'"),
    ("movement", "DELETE", "OLD.lot_id IS NULL OR OLD.kind = 'regraded'"),
    ("pool", "INSERT", "NEW.id IS NOT NULL"),
    ("pool", "UPDATE OF crop_id, grade", "NEW.id IS NOT NULL"),
    ("pool", "DELETE", "OLD.id IS NOT NULL"),
    ("ship_day", "INSERT", "NEW.minutes IS NOT NULL"),
    ("ship_day", "UPDATE OF minutes", "NEW.day IS NOT NULL"),
    ("ship_day", "DELETE", "OLD.minutes IS NOT NULL"),
)
STAMPS = 4503599627370496  # 2 ** 52: a few thousand of them still sum within 63 bits
FUNCTION = f"""
CREATE FUNCTION stamp_facts() RETURNS trigger AS $$
BEGIN
    DELETE FROM fact_stamp WHERE id IN (
        SELECT id FROM fact_stamp ORDER BY id DESC OFFSET 50 FOR UPDATE SKIP LOCKED
    );
    INSERT INTO fact_stamp (stamp) VALUES (floor(random() * {STAMPS})::bigint);
    RETURN NULL;
END
$$ LANGUAGE plpgsql
"""


def upgrade() -> None:
    op.create_table(
        "fact_stamp",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    if op.get_bind().dialect.name == "sqlite":
        for table, event, rows in _each():
            op.execute(
                f"CREATE TRIGGER {_name(table, event)} AFTER {event} ON {table}"
                f" FOR EACH ROW WHEN {rows or '1'} BEGIN"
                " DELETE FROM fact_stamp;"
                f" INSERT INTO fact_stamp (stamp) VALUES (abs(random() % {STAMPS})); END"
            )
        return
    op.execute(FUNCTION)
    for table, event, rows in _each():
        how = f"FOR EACH ROW WHEN ({rows})" if rows else "FOR EACH STATEMENT"
        op.execute(
            f"CREATE TRIGGER {_name(table, event)} AFTER {event} ON {table}"
            f" {how} EXECUTE FUNCTION stamp_facts()"
        )


def downgrade() -> None:
    on = op.get_bind().dialect.name != "sqlite"
    for table, event, _ in _each():
        op.execute(f"DROP TRIGGER {_name(table, event)}" + (f" ON {table}" if on else ""))
    if on:
        op.execute("DROP FUNCTION stamp_facts()")
    op.drop_table("fact_stamp")


def _each() -> list[tuple[str, str, str]]:
    events = ("INSERT", "UPDATE", "DELETE")
    return [*((table, event, "") for table in WHOLE for event in events), *PARTLY]


def _name(table: str, event: str) -> str:
    return f"stamp_{table}_{event.split()[0].lower()}"
