"""How does the invented nursery get into a database? By a workbook, as a user's own would."""

from datetime import UTC, date, time
from pathlib import Path

import orjson

from nursery.access import Role, make_token
from nursery.database import Database, migrate, now, open_database, site
from nursery.errors import Fault
from nursery.workbook import load, write_workbook
from seed_demo.nursery_data import HOME, OPENING
from seed_demo.sent import send_and_claim
from seed_demo.sheets import Rows
from seed_demo.tables import forecast_answer, tables

DATABASE = "nursery.sqlite"
WORKBOOK = "nursery.xlsx"
TOKENS = "tokens.txt"
FORECAST = "forecast.json"
_ACTOR = "demo"


def build(folder: Path, seed: int = 1) -> Path:
    """Where is the demo's database? Makes it in this folder, beside its workbook and tokens.

    The workbook is written first and then loaded as anybody's would be; the database's clock
    stands at the demo's morning from then on. The three secrets (`TOKENS`) can be read by the
    owner alone. Raises `Fault` where the folder already holds a nursery.
    """
    if folder.exists() and not folder.is_dir():
        raise Fault("Demo", "its folder must be a folder", str(folder), "name another")
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / DATABASE
    if path.exists():
        raise Fault("Demo", "its folder must not hold a nursery yet", str(folder), "name another")
    rows = {**tables(seed), "Forecast sources": [_source(folder, seed)]}
    write_workbook(folder / WORKBOOK, rows)
    db = open_database(str(path))
    try:
        migrate(db)
        _set_the_clock(db, folder, rows)
        _load(db, folder / WORKBOOK)
        send_and_claim(db)
        _make_tokens(db, folder / TOKENS)
    finally:
        db.close()
    return path


def _source(folder: Path, seed: int) -> dict[str, str | int | float | bool | date | time | None]:
    """Where the home station's forecast is fetched: a file, as some service might answer."""
    path = folder.resolve() / FORECAST
    path.write_bytes(orjson.dumps(forecast_answer(seed), option=orjson.OPT_INDENT_2))
    return {
        "Station": HOME,
        "Address": path.as_uri(),
        "Days at": "forecast.days",
        "Day": "date",
        "Lowest": "temperature.low",
        "Highest": "temperature.high",
        "Issued at": "forecast.issued",
    }


def read_tokens(folder: Path) -> dict[Role, str]:
    """Which secret does each role use in this demo?"""
    lines = (folder / TOKENS).read_text().splitlines()
    return {Role(role): secret for role, secret in (line.split() for line in lines)}


def _set_the_clock(db: Database, folder: Path, rows: Rows) -> None:
    """The site goes in first, since moments in the workbook must not lie in the future."""
    first = folder / "site-only.xlsx"
    write_workbook(first, {name: rows[name] for name in ("Stations", "Site")})
    _load(db, first)
    first.unlink()
    with db.writing() as session:
        ahead = OPENING.astimezone(UTC) - now(session)
        site(session).clock_shift_seconds += round(ahead.total_seconds())


def _load(db: Database, path: Path) -> None:
    report = load(db, path)
    if not report.taken:
        raise Fault("Demo", "its workbook must load", "; ".join(report.lines()), "report this")


def _make_tokens(db: Database, path: Path) -> None:
    with db.writing() as session:
        at = now(session)
        secrets = {role: make_token(session, f"demo {role}", role, at) for role in Role}
    path.touch(mode=0o600)
    path.write_text("".join(f"{role.value} {secret}\n" for role, secret in secrets.items()))
