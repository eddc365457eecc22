"""Who sends what is due to the receivers? One sender in each server process, in the background."""

from __future__ import annotations

import logging
import ssl
from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import TypeVar

import anyio
import httpx
from anyio import to_thread
from sqlmodel import Session

from nursery.database import Database
from nursery.telling.addresses import NoWay, looked_up, wrong_address
from nursery.telling.message import CONTENT_TYPE, Named, body_of
from nursery.telling.outbox import Answer, Sending, forget, hand_out, has_work, settle, take
from nursery.telling.signature import signed

T = TypeVar("T")
log = logging.getLogger("nursery.telling")
_BETWEEN = 0.05
_AFTER_TROUBLE = 5.0
_FORGET_EVERY = timedelta(days=1)
_LONGEST_REST = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class Patience:
    """How long is a receiver waited for? Seconds: to connect, and altogether for one try."""

    connect: float = 5.0
    altogether: float = 15.0


def client_for(patience: Patience, authorities: str = "") -> httpx.AsyncClient:
    """Which client sends? Redirects are not followed, and no proxy is asked.

    A receiver's certificate must be by an authority that is trusted publicly, or by one in the
    file `authorities` (PEM).
    """
    timeout = httpx.Timeout(patience.altogether, connect=patience.connect)
    trusted = httpx.create_ssl_context(trust_env=False)
    if authorities:
        trusted.load_verify_locations(cafile=authorities)
    return httpx.AsyncClient(
        verify=trusted, timeout=timeout, follow_redirects=False, trust_env=False
    )


async def post(
    client: httpx.AsyncClient,
    address: str,
    headers: dict[str, str],
    body: bytes,
    hosts: Collection[str],
    patience: Patience,
) -> Answer:
    """What did the receiver answer? Its status alone is read. Raises nothing for what it does."""
    wrong = wrong_address(address, hosts)
    if wrong is not None:
        return Answer(0, f"was not sent: {wrong}", reached=False)
    try:
        with anyio.fail_after(patience.altogether):
            return await _post(client, httpx.URL(address), headers, body, hosts)
    except NoWay as none:
        return Answer(0, str(none), reached=False)
    except (httpx.ConnectError, httpx.ConnectTimeout) as error:
        return Answer(0, _why_not_reached(error), reached=False)
    except (TimeoutError, httpx.TimeoutException):
        return Answer(0, f"did not answer within {patience.altogether:g} seconds")
    except httpx.HTTPError as error:
        return Answer(0, f"broke off ({type(error).__name__})")


def _why_not_reached(error: BaseException) -> str:
    """What stood in the way of a connection? A certificate that is not trusted is told as that."""
    within: BaseException | None = error
    while within is not None:
        if isinstance(within, ssl.SSLCertVerificationError):
            return f"its certificate was refused: {within.verify_message.rstrip('.')}"
        if isinstance(within, ssl.SSLError):
            return "does not speak HTTPS"
        within = within.__cause__ or within.__context__
    return f"could not be reached ({type(error).__name__})"


async def _post(
    client: httpx.AsyncClient,
    url: httpx.URL,
    headers: dict[str, str],
    body: bytes,
    hosts: Collection[str],
) -> Answer:
    number = await looked_up(url, hosts)
    asked = {
        **headers,
        "host": url.netloc.decode("ascii"),
        "content-type": CONTENT_TYPE,
        "user-agent": "nursery",
    }
    # To the number that was judged, with the certificate of the name.
    request = client.build_request(
        "POST",
        url.copy_with(host=number),
        content=body,
        headers=asked,
        extensions={"sni_hostname": url.host},
    )
    answer = await client.send(request, stream=True)
    try:
        return _answer(answer)
    finally:
        await answer.aclose()


def _answer(answer: httpx.Response) -> Answer:
    said = f"answered {answer.status_code}"
    if 300 <= answer.status_code < 400:
        said += "; redirects are not followed"
    asked = answer.headers.get("retry-after", "")
    # The other form, a date, is not worth trusting a clock for.
    wait = timedelta(seconds=int(asked)) if asked.isascii() and asked.isdigit() else None
    return Answer(answer.status_code, said, wait=wait and min(wait, _LONGEST_REST))


class Sender:
    """Hands out and sends, again and again. `named` gives the API's ids.

    A slow receiver keeps nobody waiting but itself. Work with the database is done in threads of
    its own; no transaction is open while anything is sent.
    """

    def __init__(
        self,
        db: Database,
        named: Named,
        *,
        hosts: Collection[str] = (),
        poll_seconds: float = 0.5,
        patience: Patience | None = None,
        authorities: str = "",
    ) -> None:
        self._db, self._named, self._hosts, self._poll = db, named, hosts, poll_seconds
        self._authorities = authorities
        self._patience = patience or Patience()
        self._busy: Counter[int] = Counter()
        self._failing: set[int] = set()
        self._threads = anyio.CapacityLimiter(2)
        self._freed = anyio.Event()
        self._forgot_at: datetime | None = None

    async def run(self) -> None:
        """Until cancelled. What is on its way then is sent again once its lease has run out."""
        async with (
            client_for(self._patience, self._authorities) as client,
            anyio.create_task_group() as tasks,
        ):
            while True:
                pause = self._poll
                try:
                    for sending in await self._in_thread(self._next):
                        self._busy[sending.receiver_id] += 1
                        tasks.start_soon(self._send, client, sending)
                except Exception:
                    log.exception("Webhooks could not be looked up; tried again soon")
                    pause = _AFTER_TROUBLE
                await self._rest(pause)

    async def _rest(self, seconds: float) -> None:
        """Until it is time, or something was settled, so that more may be sent."""
        await anyio.sleep(min(_BETWEEN, seconds))
        with anyio.move_on_after(max(0.0, seconds - _BETWEEN)):
            await self._freed.wait()
        self._freed = anyio.Event()

    async def _in_thread(self, work: Callable[[], T]) -> T:
        return await to_thread.run_sync(work, limiter=self._threads)

    def _next(self) -> list[Sending]:
        with self._db.reading() as session:
            if not has_work(session):
                return []
        with self._db.writing() as session:
            hand_out(session)
            return take(session, self._busy)

    async def _send(self, client: httpx.AsyncClient, sending: Sending) -> None:
        try:
            answer = await self._posted(client, sending)
            self._tell_log(sending, answer)
            await self._in_thread(partial(self._settle, sending, answer))
        except Exception:
            # Its lease runs out, and it is sent again.
            log.exception("What became of a webhook to %s is not written down", sending.receiver)
        finally:
            self._busy[sending.receiver_id] -= 1
            self._freed.set()

    def _tell_log(self, sending: Sending, answer: Answer) -> None:
        """Once when a receiver begins to fail, and once when it is well again."""
        fails = sending.receiver_id in self._failing
        if not answer.is_good and not fails:
            self._failing.add(sending.receiver_id)
            log.warning("Webhook to %s: %s; tried again", sending.receiver, answer.said)
        elif answer.is_good and fails:
            self._failing.discard(sending.receiver_id)
            log.warning("Webhook to %s: %s, it is well again", sending.receiver, answer.said)

    async def _posted(self, client: httpx.AsyncClient, sending: Sending) -> Answer:
        body = body_of(sending, self._named)
        headers = signed(sending.secrets, sending.message_id, sending.at, body)
        return await post(client, sending.address, headers, body, self._hosts, self._patience)

    def _settle(self, sending: Sending, answer: Answer) -> None:
        with self._db.writing() as session:
            settle(session, sending, answer)
            self._forget(session, sending.at)

    def _forget(self, session: Session, at: datetime) -> None:
        if self._forgot_at is None or abs(at - self._forgot_at) > _FORGET_EVERY:
            forget(session)
            self._forgot_at = at
