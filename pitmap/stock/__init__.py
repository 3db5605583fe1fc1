"""How much must come off, and should it?"""

from .budget import BudgetLine, fill_percent, squeeze_percent, stock_budget
from .condition import form_findings, zone_condition
from .curves import CURVES, Needed
from .gap import JointGap, joint_gap, joint_gap_of_dips
from .limits import (
    LIMIT_TEXT,
    OFFERED,
    Limit,
    LimitSheet,
    limit_rows,
    read_limits,
    sheet_of,
    usable_limits,
    write_limits,
)
from .needs import STEPS
from .plan import Aim, StockPlan, plan_stock
from .plane import LappingPlane, confident_plane, lapping_plane
from .rules import Finding, judge
from .sound import SoundWidth, disc_sound_width
from .time import LapStep, lap_rate, minutes_to_go
from .verdict import CAUTION, Verdict, decide

__all__ = [
    "CAUTION",
    "CURVES",
    "LIMIT_TEXT",
    "OFFERED",
    "STEPS",
    "Aim",
    "BudgetLine",
    "Finding",
    "JointGap",
    "LapStep",
    "LappingPlane",
    "Limit",
    "LimitSheet",
    "Needed",
    "SoundWidth",
    "StockPlan",
    "Verdict",
    "confident_plane",
    "decide",
    "disc_sound_width",
    "fill_percent",
    "form_findings",
    "joint_gap",
    "joint_gap_of_dips",
    "judge",
    "lap_rate",
    "lapping_plane",
    "limit_rows",
    "minutes_to_go",
    "plan_stock",
    "read_limits",
    "sheet_of",
    "squeeze_percent",
    "stock_budget",
    "usable_limits",
    "write_limits",
    "zone_condition",
]
