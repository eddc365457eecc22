"""Reships for claims, how long personal data are kept, and a ledger that nobody clears too soon"""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

STAMPS = 4503599627370496
EVENTS = ("INSERT", "UPDATE", "DELETE")
KEPT = "rows of the ledger are kept for three years: plant health records"


def upgrade() -> None:
    lite = op.get_bind().dialect.name == "sqlite"
    _reship()
    _reship_lot()
    for event in EVENTS:  # promises rest on it: the triggers are as in 0002
        name = f"CREATE TRIGGER stamp_reship_lot_{event.lower()} AFTER {event} ON reship_lot"
        op.execute(
            f"{name} FOR EACH ROW WHEN 1 BEGIN DELETE FROM fact_stamp;"
            f" INSERT INTO fact_stamp (stamp) VALUES (abs(random() % {STAMPS})); END"
            if lite
            else f"{name} FOR EACH STATEMENT EXECUTE FUNCTION stamp_facts()"
        )
    # Written as SQL: rebuilding `site` on SQLite would drop the triggers that stand on it.
    op.execute(
        "ALTER TABLE site ADD COLUMN erase_after_days INTEGER DEFAULT 0 NOT NULL"
        " CONSTRAINT ck_site_erase_after_days CHECK (erase_after_days >= 0)"
    )
    _keep_the_ledger(lite)


def downgrade() -> None:
    lite = op.get_bind().dialect.name == "sqlite"
    op.execute("DROP TRIGGER keep_movement" + ("" if lite else " ON movement"))
    if not lite:
        op.execute("DROP FUNCTION keep_movement()")
    op.drop_column("site", "erase_after_days")
    op.drop_table("reship_lot")
    op.drop_table("reship")


def _keep_the_ledger(lite: bool) -> None:
    """Batches, lots, promises and orders that its rows name are kept by their foreign keys."""
    if lite:
        op.execute(
            "CREATE TRIGGER keep_movement BEFORE DELETE ON movement FOR EACH ROW"
            " WHEN OLD.recorded_at > strftime('%Y-%m-%d %H:%M:%f', 'now', '-3 years')"
            f" BEGIN SELECT RAISE(ABORT, '{KEPT}'); END"
        )
        return
    op.execute(
        "CREATE FUNCTION keep_movement() RETURNS trigger AS $$ BEGIN"
        " IF OLD.recorded_at > clock_timestamp() - interval '3 years' THEN"
        f" RAISE EXCEPTION '{KEPT}' USING ERRCODE = 'integrity_constraint_violation';"
        " END IF; RETURN OLD; END $$ LANGUAGE plpgsql"
    )
    op.execute(
        "CREATE TRIGGER keep_movement BEFORE DELETE ON movement"
        " FOR EACH ROW EXECUTE FUNCTION keep_movement()"
    )


def _reship() -> None:
    op.create_table(
        "reship",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("claim_id", sa.Integer(), nullable=False),
        sa.Column("first_promise_id", sa.Integer(), nullable=False),
        sa.Column("promise_id", sa.Integer(), nullable=False),
        sa.Column("plugs", sa.Integer(), nullable=False),
        sa.Column("not_lots", sa.JSON(), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("made_by", sa.String(length=60), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("plugs >= 1", name="ck_reship_plugs"),
        sa.CheckConstraint("length(made_by) > 0 AND length(reason) > 0", name="ck_reship_name"),
        sa.CheckConstraint("promise_id <> first_promise_id", name="ck_reship_another"),
        sa.ForeignKeyConstraint(["claim_id"], ["promise_event.id"]),
        sa.ForeignKeyConstraint(["first_promise_id"], ["promise.id"]),
        sa.ForeignKeyConstraint(["promise_id"], ["promise.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("promise_id"),
    )
    op.create_index("ix_reship_claim_id", "reship", ["claim_id"])
    op.create_index("ix_reship_first_promise_id", "reship", ["first_promise_id"])


def _reship_lot() -> None:
    op.create_table(
        "reship_lot",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reship_id", sa.Integer(), nullable=False),
        sa.Column("promise_line_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("plugs", sa.Integer(), nullable=False),
        sa.CheckConstraint("plugs >= 1", name="ck_reship_lot_plugs"),
        sa.ForeignKeyConstraint(["reship_id"], ["reship.id"]),
        sa.ForeignKeyConstraint(["promise_line_id"], ["promise_line.id"]),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("promise_line_id", "lot_id", name="uq_reship_lot"),
    )
    op.create_index("ix_reship_lot_reship_id", "reship_lot", ["reship_id"])
    op.create_index("ix_reship_lot_lot_id", "reship_lot", ["lot_id"])
