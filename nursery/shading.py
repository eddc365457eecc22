"""Shade in layers: what each growing area has for it, and when layers go on and off; covers too."""

from __future__ import annotations

from datetime import date

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, SQLModel

from nursery.columns import check


class ShadeSetting(SQLModel, table=True):
    """How is an area shaded, and how is it covered on a frost night? One row an area.

    At most `most_layers` may be put on. The felt maximum is to stay under `limit_c` (None: under
    the limits of the crops that stand there) in a share `chance` of years, week by week. Putting
    one layer on or off takes each of `persons` `change_minutes`; every day with a change costs
    `change_cents` besides, and a layer that is on takes light worth `light_cents` a week. A cover
    keeps `cover_c` °C off the frost and takes `cover_minutes` to lay and take up; a tray that is
    brought in and out again takes `carry_minutes`. All defaults are estimates.
    """

    __tablename__ = "shade_setting"
    __table_args__ = (
        check("shade_setting", "layers", "most_layers >= 0 AND most_layers <= 9"),
        check("shade_setting", "chance", "chance > 0 AND chance < 1"),
        check(
            "shade_setting",
            "costs",
            "change_minutes >= 0 AND change_cents >= 0 AND light_cents >= 0 AND persons >= 1",
        ),
        check(
            "shade_setting",
            "cover",
            "cover_c >= 0 AND cover_minutes >= 0 AND carry_minutes >= 0",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    area_id: int = Field(foreign_key="growing_area.id", unique=True)
    most_layers: int = 3
    limit_c: float | None = None
    chance: float = 0.9
    change_minutes: float = 20.0
    persons: int = 2
    change_cents: int = 500
    light_cents: int = 300
    cover_c: float = 2.0
    cover_minutes: float = 20.0
    carry_minutes: float = 2.0


class ShadeChange(SQLModel, table=True):
    """From this day on so many layers are on in this area, until the next row; who decided it.

    The kept calendar. After its last row the year before is taken again, week by week.
    """

    __tablename__ = "shade_change"
    __table_args__ = (
        UniqueConstraint("area_id", "on_day", name="uq_shade_change_day"),
        check("shade_change", "layers", "layers >= 0 AND layers <= 9"),
    )
    id: int | None = Field(default=None, primary_key=True)
    area_id: int = Field(foreign_key="growing_area.id", index=True)
    on_day: date
    layers: int
    decided_by: str = Field(default="", max_length=60)
