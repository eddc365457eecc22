"""On which days may a parcel leave for a zone, when does it arrive, and what stands against it?"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reason:
    """Why may nothing leave on this day? `code` is stable for programs, `text` for people.

    Codes: `past`, `origin_closed`, `cut_off`, `no_calendar`, `no_transit`, `days_in_box`, `heat`,
    `frost`, `uncertain`, `packing_full`, `no_plugs`, `window`. `service` is "" when it holds for
    every service.
    """

    code: str
    text: str
    service: str = ""
