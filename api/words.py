"""Which of the trade's fixed words does the API know, and under which names?"""

import strawberry

from api.kept import kept
from nursery.access import Role
from nursery.batch import Quarantine
from nursery.carrier import ClosedAt
from nursery.crop import StageKind
from nursery.order import EventKind, State
from nursery.planned import PlanKind
from nursery.stock import Grade, Moved, VetoKind
from nursery.week_sheet import TaskKind

NAMES = {
    ClosedAt: "ClosedAt",
    EventKind: "PromiseEventKind",
    Grade: "Grade",
    Moved: "MovementKind",
    PlanKind: "PlanKind",
    Quarantine: "Quarantine",
    Role: "Role",
    StageKind: "StageKind",
    State: "PromiseState",
    TaskKind: "TaskKind",
    VetoKind: "VetoKind",
}
"""Words of the rows, used as they are: a GraphQL name is the member's name."""

for _words, _name in NAMES.items():
    kept(strawberry.enum(_words, name=_name))
