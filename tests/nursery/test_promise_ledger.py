"""Whatever a shop does in whatever order, no plug is promised twice."""

import shutil
import tempfile
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from sqlmodel import Session, select

from nursery.database import migrate, now, open_database, site
from nursery.errors import Refused
from nursery.order import Promise, PromiseEvent, State
from nursery.promising.basket import Basket, Destination
from nursery.promising.promise import amend, cancel, confirm, lapse, re_date, release, reserve
from nursery.promising.supply import deficits
from tests.builders import crop_named, ready_lot
from tests.flow_judge import oversold
from tests.shop import HERE, MONDAY, THERE, both, caltha, mild_nursery


class Shop(RuleBasedStateMachine):
    """A shop that does anything in any order; after each step a maximum flow judges the books."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.db = open_database(str(self.folder / "nursery.sqlite"))
        migrate(self.db)
        self.promises: list[int] = []
        self.orders = 0
        with self.db.writing() as session:
            here = mild_nursery(session, plugs=0)
            here.packing_minutes_a_day = 17
            here.horizon_days = 24
            crop = crop_named(session, "Caltha palustris")
            primula = crop_named(session, "Primula rosea")
            for plugs, first, last in ((12, 0, 3), (12, 1, 9), (6, 4, 4), (12, 8, 16)):
                days = [MONDAY + timedelta(days=n) for n in (first, last)]
                ready_lot(session, crop, plugs, *days)
                ready_lot(session, primula, plugs // 2, *days)

    def teardown(self) -> None:
        self.db.close()
        shutil.rmtree(self.folder)

    def _try(self, act: Callable[[Session], Promise]) -> None:
        try:
            with self.db.writing() as session:
                promise = act(session)
            if promise.id is not None and promise.id not in self.promises:
                self.promises.append(promise.id)
        except Refused as refused:
            assert refused.refusal.code in {
                "no_plugs",
                "day_closed",
                "lapsed",
                "not_changeable",
            }, refused.refusal

    def _one(self, pick: int) -> int:
        return self.promises[pick % len(self.promises)]

    baskets = st.one_of(
        st.integers(1, 3).map(caltha),
        st.integers(1, 2).map(both),
    )
    days = st.sampled_from([MONDAY + timedelta(days=n) for n in (1, 2, 3, 4, 8, 9)])
    picks = st.integers(0, 99)
    addresses = st.sampled_from([HERE, THERE])

    @rule(basket=baskets, day=days, to=addresses)
    def reserves(self, basket: Basket, day: date, to: Destination) -> None:
        self.orders += 1
        reference = f"S-{self.orders}"
        self._try(lambda session: reserve(session, reference, basket, to, day, "Van", "shop"))

    @precondition(lambda self: self.promises)
    @rule(pick=picks)
    def confirms(self, pick: int) -> None:
        self._try(lambda session: confirm(session, self._one(pick), "shop"))

    @precondition(lambda self: self.promises)
    @rule(pick=picks, basket=st.none() | baskets, day=st.none() | days, to=st.none() | addresses)
    def amends(
        self, pick: int, basket: Basket | None, day: date | None, to: Destination | None
    ) -> None:
        self._try(lambda session: amend(session, self._one(pick), "shop", basket, to, day))

    @precondition(lambda self: self.promises)
    @rule(pick=picks, act=st.sampled_from([cancel, release]))
    def gives_up(self, pick: int, act: Callable[[Session, int, str], Promise]) -> None:
        self._try(lambda session: act(session, self._one(pick), "shop"))

    @precondition(lambda self: self.promises)
    @rule(pick=picks, day=days)
    def is_re_dated(self, pick: int, day: date) -> None:
        self._try(lambda session: re_date(session, self._one(pick), day, "Van", "lead", "why"))

    @rule(minutes=st.sampled_from([11, 31, 31, -11, -31]))
    def time_passes_or_the_clock_is_set_back(self, minutes: int) -> None:
        with self.db.writing() as session:
            site(session).clock_shift_seconds += minutes * 60

    @rule()
    def the_lapsed_are_written_down(self) -> None:
        with self.db.writing() as session:
            lapse(session)

    @invariant()
    def no_plug_is_promised_twice(self) -> None:
        with self.db.reading() as session:
            assert oversold(session) == 0
            assert deficits(session) == []

    @invariant()
    def packing_minutes_are_kept(self) -> None:
        with self.db.reading() as session:
            taken: dict[date, int] = {}
            for promise in session.exec(select(Promise)):
                until = promise.reserved_until
                holds = promise.state == State.CONFIRMED or (
                    promise.state == State.RESERVED and until is not None and until >= now(session)
                )
                taken[promise.ship_on] = taken.get(promise.ship_on, 0) + holds * promise.minutes
            assert max(taken.values(), default=0) <= 17

    @invariant()
    def every_change_of_state_was_told(self) -> None:
        with self.db.reading() as session:
            for promise in session.exec(select(Promise)):
                rows = select(PromiseEvent).where(PromiseEvent.promise_id == promise.id)
                assert str(promise.state) in {str(event.kind) for event in session.exec(rows)}


Shop.TestCase.settings = settings(
    max_examples=12,
    stateful_step_count=25,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
test_no_plug_is_promised_twice_whatever_a_shop_does_in_whatever_order = Shop.TestCase
