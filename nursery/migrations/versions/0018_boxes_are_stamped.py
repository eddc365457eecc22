"""What boxes cost and hold is part of what a quote states: their rows are stamped"""

from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

EVENTS = ("INSERT", "UPDATE", "DELETE")
STAMPS = 4503599627370496


def upgrade() -> None:
    """Prices that quotes state rest on it: the triggers are as in 0002."""
    lite = op.get_bind().dialect.name == "sqlite"
    for event in EVENTS:
        name = f"CREATE TRIGGER {_name(event)} AFTER {event} ON parcel_box"
        op.execute(
            f"{name} FOR EACH ROW WHEN 1 BEGIN DELETE FROM fact_stamp;"
            f" INSERT INTO fact_stamp (stamp) VALUES (abs(random() % {STAMPS})); END"
            if lite
            else f"{name} FOR EACH STATEMENT EXECUTE FUNCTION stamp_facts()"
        )


def downgrade() -> None:
    on = "" if op.get_bind().dialect.name == "sqlite" else " ON parcel_box"
    for event in EVENTS:
        op.execute(f"DROP TRIGGER {_name(event)}{on}")


def _name(event: str) -> str:
    return f"stamp_parcel_box_{event.lower()}"
