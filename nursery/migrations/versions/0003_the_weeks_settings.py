"""Settings of the week's work, and plugs held cold in the day book"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# Written as SQL: rebuilding `site` on SQLite would drop the triggers that stand on it.
SETTINGS = (
    ("hot_day_c", "FLOAT", "28.0", "hot_day_c > -60"),
    ("two_person_trays", "INTEGER", "20", "two_person_trays >= 1"),
    ("heavy_trays", "INTEGER", "10", "heavy_trays >= 1"),
    ("longest_task_minutes", "INTEGER", "240", "longest_task_minutes >= 1"),
    ("clean_minutes_a_place", "FLOAT", "1.0", "clean_minutes_a_place >= 0"),
    ("count_every_days", "INTEGER", "28", "count_every_days >= 1"),
    ("count_minutes_a_tray", "FLOAT", "0.5", "count_minutes_a_tray >= 0"),
    ("discount_days", "INTEGER", "14", "discount_days >= 0"),
)
ACTIONS = (
    "started",
    "moved",
    "gapped up",
    "set aside as ready",
    "potted on",
    "discarded",
    "planted out",
    "sold at the gate",
    "regraded",
    "counted",
    "veto set",
    "veto signed off",
)
COLUMNS = (
    "id, action, batch_id, lot_id, plugs, trays, actor, done_on, recorded_at, line, minutes, note,"
    " detail, undoes_id"
)


def upgrade() -> None:
    for name, kind, value, rule in SETTINGS:
        op.execute(
            f"ALTER TABLE site ADD COLUMN {name} {kind} DEFAULT {value} NOT NULL"
            f" CONSTRAINT ck_site_{name} CHECK ({rule})"
        )
    op.add_column("cold_hold", sa.Column("withdrawn_at", sa.DateTime(timezone=True)))
    _actions((*ACTIONS, "held cold"))


def downgrade() -> None:
    op.execute(
        "DELETE FROM day_entry WHERE undoes_id IN"
        " (SELECT id FROM day_entry WHERE action = 'held cold')"
    )
    op.execute("DELETE FROM day_entry WHERE action = 'held cold'")
    _actions(ACTIONS)
    op.drop_column("cold_hold", "withdrawn_at")
    for name, *_ in reversed(SETTINGS):
        op.drop_column("site", name)


def _actions(words: tuple[str, ...]) -> None:
    """Which words may an entry of the day book have from now on?"""
    rule = f"action IN ({', '.join(repr(word) for word in words)})"
    if op.get_bind().dialect.name != "sqlite":
        op.drop_constraint("ck_day_entry_action_word", "day_entry", type_="check")
        op.create_check_constraint("ck_day_entry_action_word", "day_entry", rule)
        return
    # Entries refer to entries: the new table must refer to itself before the old one goes.
    op.execute(
        "CREATE TABLE day_entry_new ("
        " id INTEGER NOT NULL, action VARCHAR(32) NOT NULL, batch_id INTEGER NOT NULL,"
        " lot_id INTEGER, plugs INTEGER NOT NULL, trays INTEGER NOT NULL,"
        " actor VARCHAR(60) NOT NULL, done_on DATE NOT NULL, recorded_at DATETIME NOT NULL,"
        " line VARCHAR(24) NOT NULL, minutes INTEGER, note VARCHAR(200) NOT NULL,"
        " detail JSON NOT NULL, undoes_id INTEGER, PRIMARY KEY (id),"
        f" CONSTRAINT ck_day_entry_action_word CHECK ({rule}),"
        " CONSTRAINT ck_day_entry_minutes CHECK (minutes IS NULL OR minutes >= 0),"
        " CONSTRAINT ck_day_entry_undoes CHECK (undoes_id IS NULL OR undoes_id < id),"
        " FOREIGN KEY(batch_id) REFERENCES batch (id), FOREIGN KEY(lot_id) REFERENCES lot (id),"
        " FOREIGN KEY(undoes_id) REFERENCES day_entry_new (id), UNIQUE (undoes_id))"
    )
    op.execute(f"INSERT INTO day_entry_new ({COLUMNS}) SELECT {COLUMNS} FROM day_entry ORDER BY id")
    op.execute("DROP TABLE day_entry")
    op.execute("ALTER TABLE day_entry_new RENAME TO day_entry")
    for name in ("batch_id", "done_on", "line"):
        op.create_index(f"ix_day_entry_{name}", "day_entry", [name])
