"""Fixtures of the API's tests."""

from collections.abc import Iterator
from datetime import timedelta

import pytest

from nursery.access import Role
from nursery.database import Database
from nursery.settings import Settings
from tests.api.server import serving, tokens
from tests.api.shop import MONDAY, Shed, Shop
from tests.builders import crop_named, ready_lot


@pytest.fixture
def shed(db: Database) -> Iterator[Shed]:
    """A nursery with two lots, its server, its shop and its packer."""
    secrets = tokens(db)
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        for code, plugs, days in (("EARLY", 110, 20), ("LATE", 60, 40)):
            ready = MONDAY - timedelta(days=7)
            ready_lot(session, crop, plugs, ready, MONDAY + timedelta(days=days), code)
    with serving(db, Settings(poll_seconds=0.05)) as address:
        clients = [Shop(address, secrets[role]) for role in (Role.SHOP, Role.PACKER)]
        try:
            yield Shed(address, secrets, *clients)
        finally:
            for client in clients:
                client.close()
