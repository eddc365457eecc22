"""Which of the trade's fixed words does the API know, and under which names?"""

import strawberry

from api.kept import kept
from nursery.access import Role
from nursery.batch import Quarantine
from nursery.carrier import ClosedAt
from nursery.crop import StageKind
from nursery.day_entry import DayAction
from nursery.order import EventKind, State
from nursery.plan_job import JobKind
from nursery.planned import PlanKind
from nursery.planning.compare import ChangeKind
from nursery.planning.shocks import Shock
from nursery.shed.claims import ClaimKind
from nursery.shed.passport import PassportForm
from nursery.shed.suspect import Tie
from nursery.stock import Grade, Moved, VetoKind
from nursery.travelling import Against
from nursery.week.warnings import Urgency, WarningKind
from nursery.week.week_sheet import TaskKind

NAMES = {
    Against: "Against",
    ChangeKind: "ChangeKind",
    ClaimKind: "ClaimKind",
    ClosedAt: "ClosedAt",
    DayAction: "DayAction",
    EventKind: "PromiseEventKind",
    Grade: "Grade",
    JobKind: "JobKind",
    Moved: "MovementKind",
    PassportForm: "PassportForm",
    PlanKind: "PlanKind",
    Quarantine: "Quarantine",
    Role: "Role",
    Shock: "Shock",
    StageKind: "StageKind",
    State: "PromiseState",
    TaskKind: "TaskKind",
    Tie: "Tie",
    Urgency: "Urgency",
    VetoKind: "VetoKind",
    WarningKind: "WarningKind",
}
"""Words of the rows, used as they are: a GraphQL name is the member's name."""

for _words, _name in NAMES.items():
    kept(strawberry.enum(_words, name=_name))
