"""Is any plug promised twice?

The rule, for each pool. A lot can serve a ship day from its ready day to its last sale day, both
included. All commitments can be kept if and only if, for *every set* of ship days, the lots that
can serve at least one of them have as many plugs as these days ask for (Hall 1935, for supplies and
demands). Sets without gaps are not enough: a lot that lasts through a gap would be counted for both
sides of it. Put the other way round: choose the days of a set one after another; a lot serves none
of them only if its whole time for sale lies inside one gap between two chosen days (or before the
first, or after the last). So

    most(d) = asked(d) + max over the day e chosen before d of  most(e) + inside(e, d)

with inside(e, d) the plugs of lots that lie wholly between e and d, and the plugs that lack are the
largest of most(d) + inside(d, ever after), less all plugs.

What is counted. Commitments: plugs not yet picked of promises that are confirmed, or reserved and
not run out; one whose day has passed is asked for today. Supply: every plug that the books hold in
lots of open batches and may still be sold today or later, without any allowance; plugs still
growing in open batches, on any day, and starts still planned where they may be promised on. A plug
under a veto or in quarantine counts here: it exists, and is not sold twice by waiting.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from nursery.checking.snapshot import HOLDS, Snapshot, Wrong, day

COMMITTED = f"""
SELECT promise_line.pool_id, promise.ship_on, SUM(promise_line.plugs - promise_line.picked)
FROM promise_line JOIN promise ON promise.id = promise_line.promise_id
WHERE {HOLDS} AND promise_line.picked < promise_line.plugs
GROUP BY promise_line.pool_id, promise.ship_on"""

LOTS = """
SELECT lot.pool_id, lot.ready_on, lot.last_sale_on, lot.plugs
FROM lot JOIN batch ON batch.id = lot.batch_id
WHERE lot.plugs > 0 AND lot.last_sale_on >= :today AND batch.closed_on IS NULL"""

GROWING = """
SELECT pool.id, SUM(movement.plugs)
FROM movement JOIN batch ON batch.id = movement.batch_id
JOIN protocol ON protocol.id = batch.protocol_id
JOIN pool ON pool.crop_id = batch.crop_id AND pool.grade = 'A'
     AND pool.bought_in = COALESCE(protocol.by_consent, protocol.method = 'bought in')
WHERE movement.lot_id IS NULL AND batch.closed_on IS NULL
GROUP BY pool.id"""

PLANNED = """
SELECT pool.id, SUM(planned_start.trays * cells.most)
FROM planned_start JOIN protocol ON protocol.id = planned_start.protocol_id
JOIN pool ON pool.crop_id = protocol.crop_id AND pool.grade = 'A'
     AND pool.bought_in = COALESCE(protocol.by_consent, protocol.method = 'bought in')
JOIN (SELECT stage.protocol_id, MAX(tray_format.cells) AS most
      FROM stage JOIN tray_format ON tray_format.id = stage.tray_format_id
      GROUP BY stage.protocol_id) AS cells ON cells.protocol_id = protocol.id
WHERE planned_start.batch_id IS NULL
  AND planned_start.plan_id = (SELECT id FROM plan_version
      WHERE kind = 'propagation' AND accepted_at IS NOT NULL
      ORDER BY accepted_at DESC, version DESC LIMIT 1)
GROUP BY pool.id"""

NAMES = """
SELECT pool.id, crop.botanical_name, crop.cultivar, pool.grade
FROM pool JOIN crop ON crop.id = pool.crop_id"""


@dataclass(frozen=True, slots=True)
class Lack:
    """So many plugs are missing for these ship days together, which ask for `asked` of them."""

    plugs: int
    days: tuple[date, ...]
    asked: int


def lacking(
    lots: Sequence[tuple[date, date, int]], asked: Mapping[date, int], any_day: int = 0
) -> Lack | None:
    """How many of the plugs asked for cannot be had, whoever gets which? None if all can.

    `lots` are (ready, last sale, plugs), `any_day` plugs that serve whichever day. The days are a
    set that proves it: together they ask for more than all lots that serve any of them hold.
    """
    days = sorted(day for day, plugs in asked.items() if plugs > 0)
    if not days:
        return None
    most: list[int] = []
    before: list[int] = []
    for at, here in enumerate(days):
        choices = [_inside(lots, None, here)]
        choices += [most[e] + _inside(lots, days[e], here) for e in range(at)]
        best = max(range(len(choices)), key=choices.__getitem__)
        most.append(asked[here] + choices[best])
        before.append(best - 1)
    ends = [most[at] + _inside(lots, here, None) for at, here in enumerate(days)]
    last = max(range(len(days)), key=ends.__getitem__)
    lack = ends[last] - sum(plugs for _, _, plugs in lots) - any_day
    if lack <= 0:
        return None
    chosen = []
    while last >= 0:
        chosen.append(days[last])
        last = before[last]
    return Lack(lack, tuple(reversed(chosen)), sum(asked[each] for each in chosen))


def _inside(lots: Sequence[tuple[date, date, int]], after: date | None, before: date | None) -> int:
    return sum(
        plugs
        for ready, last, plugs in lots
        if (after is None or ready > after) and (before is None or last < before)
    )


def lacks(books: Snapshot) -> dict[int, Lack]:
    """Which pools have promised plugs that they cannot have, and how many?"""
    asked: dict[int, dict[date, int]] = defaultdict(lambda: defaultdict(int))
    for pool, ship_on, plugs in books.rows(COMMITTED):
        asked[pool][max(day(ship_on), books.today)] += int(plugs)
    lots: dict[int, list[tuple[date, date, int]]] = defaultdict(list)
    for pool, ready, last, plugs in books.rows(LOTS):
        lots[pool].append((max(day(ready), books.today), day(last), int(plugs)))
    any_day = defaultdict(int, {pool: int(plugs) for pool, plugs in books.rows(GROWING)})
    if books.rows("SELECT 1 FROM site WHERE promise_planned_starts"):
        for pool, plugs in books.rows(PLANNED):
            any_day[pool] += int(plugs)
    found = {pool: lacking(lots[pool], asked[pool], any_day[pool]) for pool in sorted(asked)}
    return {pool: lack for pool, lack in found.items() if lack is not None}


def oversold(books: Snapshot) -> Iterator[Wrong]:
    """No plug is promised twice: for every set of ship days of a pool, the plugs that can be sold
    on any of them are at least as many as are promised for them.
    """
    names = {row[0]: " ".join(filter(None, map(str, row[1:]))) for row in books.rows(NAMES)}
    for pool, lack in lacks(books).items():
        days = ", ".join(map(str, lack.days[:6])) + (" ..." if len(lack.days) > 6 else "")
        said = (
            f"{lack.asked} plugs are promised for {days}, {lack.asked - lack.plugs} can be sold"
            f" then: {lack.plugs} are promised twice"
        )
        todo = "Recount its lots; then `nursery dispatch` says which orders get another day"
        yield Wrong("oversold", f"Pool '{names.get(pool, pool)}'", said, todo)
