"""Webhooks over real HTTPS: the receiver's certificate is checked, and a wrong one is told.

The certificates are made here by `trustme`, which needs no program beside Python: a machine that
runs the tests need not have openssl's.
"""

import ssl
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme

from nursery.cli import main
from nursery.database import Database
from nursery.errors import Fault
from nursery.receiver import DeliveryState
from nursery.settings import read_settings
from nursery.telling.receivers import try_receiver
from nursery.telling.standing import standing
from tests.shop import MONDAY
from tests.telling import HURRIED, all_of, moved, tell, time_passes, told_nursery, tried, verified
from tests.webhook_receiver import Ear

WEDNESDAY, THURSDAY = (MONDAY + timedelta(days=n) for n in (2, 3))


class Office:
    """An authority of the test's own: its certificate lies in `file`."""

    def __init__(self, file: Path) -> None:
        self._authority, self.file = trustme.CA(), str(file)
        self._authority.cert_pem.write_to_path(self.file)

    @contextmanager
    def ear(
        self, host: str = "localhost", port: int = 0, until: datetime | None = None
    ) -> Iterator[Ear]:
        """A receiver on this machine with a certificate for this host, good until then."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self._authority.issue_cert(host, not_after=until).configure_cert(context)
        with Ear(port, context).open() as ear:
            yield ear


@pytest.fixture
def office(tmp_path: Path) -> Office:
    return Office(tmp_path / "authority.pem")


def test_a_shop_hears_over_https_where_its_certificate_is_good(
    either_db: Database, office: Office
) -> None:
    with office.ear() as ear:
        id, secret = told_nursery(either_db, ear)
        moved(either_db, id, WEDNESDAY)
        all_heard = all_of(either_db, DeliveryState.DELIVERED, 1)
        tell(either_db, all_heard, authorities=office.file)
    (heard,) = ear.heard
    assert ear.address.startswith("https://localhost:") and verified(secret, heard)


def test_a_wrong_certificate_hears_nothing_is_told_in_the_list_and_hears_all_once_it_is_mended(
    db: Database,
    office: Office,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with office.ear() as ear:
        id, _ = told_nursery(db, ear)
        moved(db, id, WEDNESDAY)
        tell(db, tried(db, 1))  # its authority is unknown here
        assert ear.heard == []
    monkeypatch.setenv("NURSERY_DATABASE", db.address)
    monkeypatch.setenv("COLUMNS", "250")
    monkeypatch.setattr(sys, "argv", ["nursery", "receivers", "list"])
    with pytest.raises(SystemExit):
        main()
    assert "its certificate was refused: unable to get local issuer" in capsys.readouterr().out
    time_passes(db)
    with office.ear(port=ear.port) as mended:
        tell(db, all_of(db, DeliveryState.DELIVERED, 1), authorities=office.file)
    assert len(mended.heard) == 1


def test_a_certificate_of_another_host_or_one_that_is_over_is_refused(
    db: Database, office: Office
) -> None:
    yesterday = datetime.now(UTC) - timedelta(days=1)
    with office.ear("shop.example") as other:
        told_nursery(db, other)

    def said() -> str:
        answer = try_receiver(db, "shop", patience=HURRIED, authorities=office.file)
        assert not answer.is_good and not answer.reached
        return answer.said

    with office.ear("shop.example", other.port) as other:
        assert "refused: Hostname mismatch" in said()
    with office.ear(port=other.port, until=yesterday) as over:
        assert "refused: certificate has expired" in said()
    assert other.heard == over.heard == []
    with Ear(other.port).open():
        assert said() == "does not speak HTTPS"


def test_a_redirect_over_https_is_not_followed_with_what_was_to_be_told(
    db: Database, office: Office
) -> None:
    """307 and 308 would send the body again (RFC 9110, 15.4.8 and 15.4.9)."""
    with office.ear() as ear, office.ear() as elsewhere:
        told_nursery(db, ear)
        for status in (301, 302, 303, 307, 308):
            ear.answer = lambda heard, status=status: (status, {"location": elsewhere.address})  # type: ignore[misc]
            answer = try_receiver(db, "shop", patience=HURRIED, authorities=office.file)
            assert answer.said == f"answered {status}; redirects are not followed"
    assert len(ear.heard) == 5 and elsewhere.heard == []
    with db.reading() as session:
        (stands,) = standing(session)
    assert stands.is_on


def test_authorities_besides_the_public_ones_are_a_file_of_certificates(
    office: Office, tmp_path: Path
) -> None:
    name = "NURSERY_RECEIVER_AUTHORITIES"
    assert read_settings({name: office.file}).receiver_authorities == office.file
    wrong = tmp_path / "empty.pem"
    wrong.write_text("no certificate")
    for file in (wrong, tmp_path / "none.pem"):
        with pytest.raises(Fault, match="file of certificates") as fault:
            read_settings({name: str(file)})
        assert fault.value.thing == name
