"""A real server for tests, and a small nursery with a token for each of the three people."""

from sqlmodel import select

from api.running import running as serving
from nursery.access import Role, make_token
from nursery.database import Database, now
from nursery.order import Product
from tests.builders import small_nursery

__all__ = ["serving", "tokens"]


def tokens(db: Database) -> dict[Role, str]:
    """A small nursery in the database, and a token for each of the three people."""
    with db.writing() as session:
        small_nursery(session)
        for product in session.exec(select(Product)):
            # March has frost: these plants stand it, so that a test sees the rules it is about.
            product.frost_limit_c = -25.0
            session.add(product)
        return {role: make_token(session, f"the {role.value}", role, now(session)) for role in Role}
