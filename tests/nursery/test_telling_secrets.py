"""A receiver gets another secret and misses nothing: the old one signs beside it for a time."""

from collections.abc import Sequence
from datetime import timedelta

import pytest
from sqlalchemy import update
from sqlmodel import select

from nursery.database import Database, clock
from nursery.errors import Refused
from nursery.receiver import DeliveryState, OldSecret
from nursery.telling import outbox
from nursery.telling.receivers import rotate_secret, try_receiver
from nursery.telling.standing import standing
from tests.shop import MONDAY
from tests.telling import HURRIED, all_of, moved, tell, told_nursery, verified
from tests.webhook_receiver import Ear, Heard

WEDNESDAY, THURSDAY = (MONDAY + timedelta(days=n) for n in (2, 3))


def _rotated(db: Database, hours: float = 24) -> str:
    with db.writing() as session:
        return rotate_secret(session, "shop", "Lea", hours)


def _old_ones_end(db: Database) -> None:
    """As if their hours were over."""
    with db.writing() as session:
        past = clock(session) - timedelta(seconds=1)
        values = {"signs_until": past, "replaced_at": past - timedelta(hours=24)}
        session.connection().execute(update(OldSecret).values(**values))


def _verify(secrets: Sequence[str], heard: Heard) -> list[bool]:
    return [verified(secret, heard) for secret in secrets]


def test_the_old_secret_and_the_new_one_both_sign_until_the_time_that_was_stated(
    either_db: Database,
) -> None:
    with Ear().open() as ear:
        id, old = told_nursery(either_db, ear)
        new = _rotated(either_db, hours=24)
        with either_db.reading() as session:
            (stands,) = standing(session)
            left = (stands.old_secret_until or clock(session)) - clock(session)
        assert timedelta(hours=23, minutes=59) < left <= timedelta(hours=24)
        moved(either_db, id, WEDNESDAY)
        tell(either_db, all_of(either_db, DeliveryState.DELIVERED, 1))
        _old_ones_end(either_db)
        moved(either_db, id, THURSDAY)
        tell(either_db, all_of(either_db, DeliveryState.DELIVERED, 2))
    both, after = ear.heard
    assert len(both.headers["webhook-signature"].split(" ")) == 2
    assert _verify([old, new], both) == [True, True]
    assert _verify([old, new], after) == [False, True]
    with either_db.writing() as session:
        assert standing(session)[0].old_secret_until is None
        outbox.forget(session)
        assert session.exec(select(OldSecret)).all() == []


def test_a_secret_that_leaked_ends_at_once_with_all_before_it(db: Database) -> None:
    with Ear().open() as ear:
        _, first = told_nursery(db, ear)
        second = _rotated(db)
        third = _rotated(db, hours=0)
        assert try_receiver(db, "shop", patience=HURRIED).is_good
    assert _verify([first, second, third], ear.heard[0]) == [False, False, True]


def test_a_rotation_whose_answer_was_lost_is_done_again_and_the_shop_goes_on(
    db: Database,
) -> None:
    with Ear().open() as ear:
        _, first = told_nursery(db, ear)
        secrets = [first, *(_rotated(db) for _ in range(3))]
        assert try_receiver(db, "shop", patience=HURRIED).is_good
        assert _verify(secrets, ear.heard[0]) == [True] * 4
    with pytest.raises(Refused) as refused:
        _rotated(db)
    assert refused.value.refusal.code == "too_many_secrets"
    assert "0 hours" in refused.value.refusal.next


@pytest.mark.parametrize("hours", [-1, 169, float("nan"), float("inf")])
def test_an_old_secret_signs_on_for_a_week_at_most(db: Database, hours: float) -> None:
    with Ear().open() as ear:
        told_nursery(db, ear)
    with pytest.raises(Refused) as refused:
        _rotated(db, hours)
    assert (refused.value.refusal.code, refused.value.refusal.field) == ("bad_hours", "hours")
