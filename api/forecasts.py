"""When does the server fetch forecasts? In the background, so that no quote waits for one."""

import logging
from datetime import timedelta

from anyio import sleep

from nursery.database import Database
from nursery.settings import Settings
from nursery.weather_in.pulling import pull_forecasts

log = logging.getLogger("nursery.api")
_LOOK_SECONDS = 60.0


async def keep_pulling(db: Database, settings: Settings) -> None:
    """Fetches the forecasts that are due, again and again, until it is cancelled.

    Which are due stands in the database: of several server processes one fetches each.
    """
    every = timedelta(minutes=settings.forecast_minutes)
    while True:
        try:
            await pull_forecasts(db, key=settings.forecast_key, unless_within=every)
        except Exception:
            log.exception("Forecasts could not be fetched; tried again soon")
        await sleep(min(_LOOK_SECONDS, every.total_seconds()))
