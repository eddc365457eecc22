"""Personal data of orders that are long over are erased once a day, where the site says so."""

import logging

from anyio import sleep, to_thread

from nursery.database import Database
from nursery.growing_area import Site
from nursery.shed.erasing import Erased, erase_daily

EVERY_SECONDS = 86_400.0

log = logging.getLogger("nursery.api")


async def keep_erasing(db: Database) -> None:
    """Erases when the server starts and every day after; several processes may do so."""
    while True:
        try:
            done = await to_thread.run_sync(erase_now, db)
            if done.orders:
                log.info("Personal data of %s orders were erased", done.orders)
        except Exception:
            log.exception("Personal data could not be erased; tried again tomorrow")
        await sleep(EVERY_SECONDS)


def erase_now(db: Database) -> Erased:
    """What was erased just now? Nobody waits for it where the site says that nothing is."""
    with db.reading() as session:
        here = session.get(Site, 1)
        if here is None or not here.erase_after_days:
            return Erased(0, 0)
    with db.writing() as session:
        return erase_daily(session)
