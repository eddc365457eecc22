"""Plants that are bought in, and other plants, go only to customers who agreed to them"""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

STAMPS = 4503599627370496
EVENTS = ("INSERT", "UPDATE", "DELETE")


def upgrade() -> None:
    op.add_column("protocol", sa.Column("by_consent", sa.Boolean(), nullable=True))
    # What was bought in before is sold as it was, until the lead says otherwise.
    op.execute("UPDATE protocol SET by_consent = false WHERE method = 'bought in'")
    op.add_column(
        "customer_order",
        sa.Column("may_be_bought_in", sa.Boolean(), server_default=sa.false(), nullable=False),
    )
    _pools("crop_id, grade, bought_in")
    _substitutes()
    op.add_column(
        "promise_line",
        sa.Column("bought_in", sa.Boolean(), server_default=sa.false(), nullable=False),
    )
    # SQLite adds a column that refers to another table in plain SQL alone.
    op.execute(
        "ALTER TABLE promise_line ADD COLUMN instead_of_id INTEGER"
        " CONSTRAINT fk_promise_line_instead_of REFERENCES product (id)"
    )


def downgrade() -> None:
    op.drop_column("promise_line", "instead_of_id")
    op.drop_column("promise_line", "bought_in")
    op.drop_table("substitute")  # it takes its triggers with it
    _into_one_pool()
    _pools("crop_id, grade")
    op.drop_column("customer_order", "may_be_bought_in")
    op.drop_column("protocol", "by_consent")


def _substitutes() -> None:
    op.create_table(
        "substitute",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("other_id", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.CheckConstraint("other_id <> product_id", name="ck_substitute_other"),
        sa.CheckConstraint("place >= 1", name="ck_substitute_place"),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"]),
        sa.ForeignKeyConstraint(["other_id"], ["product.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("product_id", "other_id", name="uq_substitute_products"),
    )
    op.create_index("ix_substitute_product_id", "substitute", ["product_id"])
    lite = op.get_bind().dialect.name == "sqlite"
    for event in EVENTS:
        name = f"CREATE TRIGGER stamp_substitute_{event.lower()} AFTER {event} ON substitute"
        op.execute(
            f"{name} FOR EACH ROW WHEN 1 BEGIN DELETE FROM fact_stamp;"
            f" INSERT INTO fact_stamp (stamp) VALUES (abs(random() % {STAMPS})); END"
            if lite
            else f"{name} FOR EACH STATEMENT EXECUTE FUNCTION stamp_facts()"
        )


def _pools(unique: str) -> None:
    """Which columns name a pool from now on? `bought_in` comes or goes with them."""
    comes = "bought_in" in unique
    if op.get_bind().dialect.name != "sqlite":
        op.drop_constraint("uq_pool_crop_grade", "pool", type_="unique")
        if comes:
            bought_in: sa.Column[bool] = sa.Column(
                "bought_in", sa.Boolean(), server_default=sa.false(), nullable=False
            )
            op.add_column("pool", bought_in)
        else:
            op.drop_column("pool", "bought_in")
        op.create_unique_constraint("uq_pool_crop_grade", "pool", unique.split(", "))
        return
    # Lots and promises refer to pools: the rows come back under their ids before it is committed.
    find = "SELECT sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'pool'"
    triggers = list(op.get_bind().execute(sa.text(find)).scalars())
    op.execute("PRAGMA defer_foreign_keys = ON")
    op.execute("CREATE TEMPORARY TABLE kept_pool AS SELECT * FROM pool")
    op.execute("DROP TABLE pool")
    op.execute(
        "CREATE TABLE pool (id INTEGER NOT NULL, crop_id INTEGER NOT NULL,"
        " grade VARCHAR(32) NOT NULL, version INTEGER NOT NULL,"
        + (" bought_in BOOLEAN DEFAULT 0 NOT NULL," if comes else "")
        + " CONSTRAINT ck_pool_grade_word CHECK (grade IN ('A', 'B')),"
        " FOREIGN KEY(crop_id) REFERENCES crop (id), PRIMARY KEY (id),"
        f" CONSTRAINT uq_pool_crop_grade UNIQUE ({unique}))"
    )
    op.execute("CREATE INDEX ix_pool_crop_id ON pool (crop_id)")
    columns = "id, crop_id, grade, version"
    op.execute(f"INSERT INTO pool ({columns}) SELECT {columns} FROM kept_pool")
    op.execute("DROP TABLE kept_pool")
    for trigger in triggers:
        op.execute(trigger)


def _into_one_pool() -> None:
    """Plugs that were sold as bought in are in the pool of their crop and grade again."""
    op.execute(
        "INSERT INTO pool (crop_id, grade, version) SELECT crop_id, grade, 0 FROM pool AS b"
        " WHERE b.bought_in AND NOT EXISTS (SELECT 1 FROM pool AS p"
        " WHERE p.crop_id = b.crop_id AND p.grade = b.grade AND NOT p.bought_in)"
    )
    own = (
        "SELECT p.id FROM pool AS b JOIN pool AS p ON p.crop_id = b.crop_id AND p.grade = b.grade"
        " AND NOT p.bought_in WHERE b.bought_in AND b.id = {0}.pool_id"
    )
    for table in ("lot", "promise_line"):
        op.execute(
            f"UPDATE {table} SET pool_id = ({own.format(table)})"
            f" WHERE pool_id IN (SELECT id FROM pool WHERE bought_in)"
        )
    op.execute("DELETE FROM pool WHERE bought_in")
