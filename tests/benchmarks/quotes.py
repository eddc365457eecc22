"""How many quotes a second are answered, and what does GraphQL add to the look-up?

    python -m tests.benchmarks.quotes [--seconds N] [--clients N] [--baskets N]

Three servers (uvicorn, one process each) stand on one database of 2,000 products and 200,000 open
orders (see `quotes_nursery`) and are asked the same baskets of three products in turns:

- `api`: the project's own, with all its limits on;
- `graphql_core`: the same document, parsed and validated once, executed by graphql-core alone over
  plain functions and dictionaries;
- `by_hand`: a Starlette route that writes the same answer with orjson.

All do the same look-up (a reading transaction, the token, `nursery.promising.quote`), each in a
thread of its pool, as whoever talks to a database from an event loop must. The small document asks
for the first option alone, the large one for `shipOptions` of 30 days with reasons. One pass over
all baskets comes before the clock starts. CPU is user and system time of the server's process by
/proc. One JSON line a server and document; the last line is the summary with the ratios.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import multiprocessing
import os
import socket
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import uvicorn
from anyio import to_thread
from graphql import build_schema, execute_sync, parse, validate
from graphql.type import GraphQLScalarType
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp

from api.app import create_app
from api.auth import allowed
from api.schema import make_schema
from nursery.access import Role, Token
from nursery.database import Database, migrate, open_database
from nursery.promising.basket import Basket, BasketLine, Destination
from nursery.promising.desk import ShipOption
from nursery.promising.quote import Quote, quote
from tests.benchmarks.quotes_nursery import big_nursery, code
from tests.shop import MONDAY

ASK = """query Ask($basket: [BasketLineInput!]!, $to: DestinationInput!, $until: Date, $most: Int) {
  shipOptions(basket: $basket, destination: $to, until: $until, most: $most) {
    __typename ... on Refusal { code message } ... on ShipOptions { %s } } }"""
SMALL = ASK % "options { shipOn arrivesFrom arrivesUntil probability service priceCents }"
LARGE = (
    ASK
    % """zone holidayRegion firstDay lastDay cautions
    options { shipOn packOn arrivesFrom arrivesUntil daysInBox probability service priceCents
      lines { code quantity } chances { day share } }
    closedDays { day reasons { code text service } }"""
)
SERVERS = ("api", "graphql_core", "by_hand")
PATIENCE_SECONDS = 300
"""A round that takes longer than this has gone wrong."""


@dataclass(frozen=True)
class Asked:
    """One server asked one document: what came of it."""

    name: str
    document: str
    requests: int
    requests_a_second: float
    p50_ms: float
    p99_ms: float
    cpu_us: float
    answer_bytes: int


def look_up(db: Database, secret: str, said: dict[str, Any]) -> Quote:
    """What all three servers do: the token, and the quote, in one reading transaction."""
    lines = tuple(BasketLine(line["code"], line["quantity"]) for line in said["basket"])
    until = date.fromisoformat(said["until"]) if said.get("until") else None
    to = Destination(said["to"]["country"], said["to"]["postcode"])
    with db.reading() as session:
        token = allowed(session, secret, (Role.SHOP, Role.LEAD))
        assert isinstance(token, Token)
        return quote(session, Basket(lines), to, last_day=until, most=said.get("most"))


def _option(found: ShipOption, large: bool) -> dict[str, Any]:
    small = {
        "shipOn": found.ship_on,
        "arrivesFrom": found.arrives_from,
        "arrivesUntil": found.arrives_until,
        "probability": found.probability,
        "service": found.service,
        "priceCents": found.price_cents,
    }
    if not large:
        return small
    return {
        **small,
        "packOn": found.pack_on,
        "daysInBox": found.days_in_box,
        "lines": [{"code": line.code, "quantity": line.quantity} for line in found.lines],
        "chances": [{"day": day, "share": share} for day, share in found.chances],
    }


def written(found: Quote, large: bool) -> dict[str, Any]:
    """The answer as plain dictionaries."""
    options = {"options": [_option(each, large) for each in found.options]}
    if not large:
        return {"__typename": "ShipOptions", **options}
    return {
        "__typename": "ShipOptions",
        "zone": found.zone,
        "holidayRegion": found.holiday_region,
        "firstDay": found.first_day,
        "lastDay": found.last_day,
        "cautions": found.cautions,
        **options,
        "closedDays": [
            {
                "day": closed.day,
                "reasons": [
                    {"code": why.code, "text": why.text, "service": why.service}
                    for why in closed.reasons
                ],
            }
            for closed in found.closed_days
        ],
    }


def _secret(request: Request) -> str:
    return request.headers["authorization"].removeprefix("Bearer ")


def by_hand(db: Database) -> ASGIApp:
    def answer(secret: str, body: bytes) -> bytes:
        said = orjson.loads(body)["variables"]
        large = said.get("most") is None
        found = look_up(db, secret, said)
        return orjson.dumps({"data": {"shipOptions": written(found, large)}})

    return _served(answer)


def graphql_core(db: Database) -> ASGIApp:
    schema = build_schema(make_schema().as_str())
    days = schema.type_map["Date"]
    assert isinstance(days, GraphQLScalarType)
    days.serialize = date.isoformat
    documents = {text: parse(text) for text in (SMALL, LARGE)}
    assert not any(validate(schema, document) for document in documents.values())

    def answer(secret: str, body: bytes) -> bytes:
        asked = orjson.loads(body)
        said = asked["variables"]

        def ship_options(info: Any, **arguments: Any) -> dict[str, Any]:
            return written(look_up(db, secret, said), said.get("most") is None)

        root = {"shipOptions": ship_options}
        result = execute_sync(schema, documents[asked["query"]], root, variable_values=said)
        assert not result.errors, result.errors
        return orjson.dumps({"data": result.data})

    return _served(answer)


def _served(answer: Callable[[str, bytes], bytes]) -> ASGIApp:
    async def route(request: Request) -> Response:
        body = await request.body()
        found = await to_thread.run_sync(partial(answer, _secret(request), body))
        return Response(found, media_type="application/json")

    return Starlette(routes=[Route("/graphql", route, methods=["POST"])])


def serve(name: str, address: str, listening: socket.socket) -> None:
    """One server, in its own process, until it is ended."""
    db = open_database(address)
    makers: dict[str, Callable[[Database], ASGIApp]] = {
        "api": create_app,
        "graphql_core": graphql_core,
        "by_hand": by_hand,
    }
    config = uvicorn.Config(makers[name](db), access_log=False, log_level="warning")
    asyncio.run(uvicorn.Server(config).serve(sockets=[listening]))


@contextmanager
def _servers(address: str) -> Iterator[dict[str, tuple[int, int]]]:
    """(process id, port) of each server, for as long as the block lasts."""
    spawn = multiprocessing.get_context("spawn")
    running, processes = {}, []
    for name in SERVERS:
        listening = socket.create_server(("127.0.0.1", 0))
        # as on a port that uvicorn opens itself: else an answer's body waits for the head's ACK
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        process = spawn.Process(target=serve, args=(name, address, listening), daemon=True)
        process.start()
        assert process.pid is not None
        processes.append(process)
        running[name] = (process.pid, listening.getsockname()[1])
    try:
        yield running
    finally:
        for process in processes:
            process.kill()
            process.join()


def requests(secret: str, products: int, baskets: int, large: bool) -> list[bytes]:
    """The requests as they go over the wire: baskets of three products each."""
    rng = np.random.default_rng(7)
    found = []
    for _ in range(baskets):
        basket = [
            {"code": code(int(p)), "quantity": int(rng.integers(1, 4))}
            for p in rng.choice(products, 3, replace=False)
        ]
        said: dict[str, Any] = {"basket": basket, "to": {"country": "NL", "postcode": "1011 AB"}}
        said |= {"until": str(MONDAY + timedelta(days=29))} if large else {"most": 1}
        body = orjson.dumps({"query": LARGE if large else SMALL, "variables": said})
        head = (
            "POST /graphql HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
            f"Authorization: Bearer {secret}\r\nContent-Length: {len(body)}\r\n\r\n"
        )
        found.append(head.encode() + body)
    return found


async def _client(port: int, mine: list[bytes], times: list[float]) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    body = b""
    for request in mine:
        start = time.perf_counter()
        writer.write(request)
        head = await reader.readuntil(b"\r\n\r\n")
        length = next(
            int(line.split(b":")[1])
            for line in head.lower().split(b"\r\n")
            if line.startswith(b"content-length")
        )
        body = await reader.readexactly(length)
        times.append(time.perf_counter() - start)
        assert head.startswith(b"HTTP/1.1 200") and b'"options"' in body, (head, body[:300])
    writer.close()
    return body


async def _ask(port: int, wires: list[bytes], clients: int) -> tuple[list[float], float, bytes]:
    times: list[float] = []
    start = time.perf_counter()
    shares = [wires[i::clients] for i in range(clients)]
    async with asyncio.timeout(PATIENCE_SECONDS):
        bodies = await asyncio.gather(*(_client(port, share, times) for share in shares if share))
    return times, time.perf_counter() - start, bodies[0]


def _cpu_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _memory_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    line = next(line for line in status.splitlines() if line.startswith("VmHWM"))
    return round(int(line.split()[1]) / 1024, 1)


def ask_all(
    running: dict[str, tuple[int, int]], secret: str, args: argparse.Namespace, large: bool
) -> list[Asked]:
    """Every server asked in turns, round by round, so that all feel the machine's other work."""
    wires = requests(secret, args.products, args.baskets, large)
    times: dict[str, list[float]] = {name: [] for name in running}
    spent, wall, size = (dict.fromkeys(running, 0.0) for _ in range(3))
    answers = {n: asyncio.run(_ask(port, wires, 1))[2] for n, (_, port) in running.items()}
    plain = {name: orjson.loads(body)["data"] for name, body in answers.items()}
    assert all(each == plain["api"] for each in plain.values()), "the servers answer differently"
    ends = time.perf_counter() + args.seconds
    while time.perf_counter() < ends:
        for name, (pid, port) in running.items():
            before = _cpu_seconds(pid)
            more, took, body = asyncio.run(_ask(port, wires, args.clients))
            spent[name] += _cpu_seconds(pid) - before
            times[name] += more
            wall[name] += took
            size[name] = len(body)
    return [
        Asked(
            name,
            "large" if large else "small",
            len(times[name]),
            round(len(times[name]) / wall[name], 1),
            round(1e3 * float(np.percentile(times[name], 50)), 2),
            round(1e3 * float(np.percentile(times[name], 99)), 2),
            round(1e6 * spent[name] / len(times[name]), 1),
            int(size[name]),
        )
        for name in running
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seconds", type=float, default=20.0, help="for each document")
    parser.add_argument("--baskets", type=int, default=200)
    parser.add_argument("--clients", type=int, default=4)
    parser.add_argument("--products", type=int, default=2_000)
    parser.add_argument("--orders", type=int, default=200_000)
    parser.add_argument("--keep", default="", help="a file: the database is made there, or used")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(args.keep or f"{folder}/quotes.sqlite")
        start = time.perf_counter()
        secret_file = path.with_suffix(".token")
        if not secret_file.exists():
            db = open_database(str(path))
            migrate(db)
            secret_file.write_text(big_nursery(db, args.products, args.orders))
            db.close()
        secret, made = secret_file.read_text(), time.perf_counter() - start
        with _servers(f"sqlite:///{path}") as running:
            found = [a for large in (False, True) for a in ask_all(running, secret, args, large)]
            memory = {name: _memory_mb(pid) for name, (pid, _) in running.items()}
    for each in found:
        print(json.dumps(asdict(each)), flush=True)
    cpu = {(each.document, each.name): each.cpu_us for each in found}
    ratios = {
        f"{document}_over_{other}": round(cpu[document, "api"] / cpu[document, other], 3)
        for document in ("small", "large")
        for other in ("graphql_core", "by_hand")
    }
    counts = {"products": args.products, "orders": args.orders, "days": 180}
    summary = {"name": "quotes", **counts, **ratios, "memory_mb": memory}
    print(json.dumps({**summary, "made_seconds": round(made, 1)}), flush=True)


if __name__ == "__main__":
    sys.exit(main())
