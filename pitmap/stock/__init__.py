"""How much must come off, and should it?"""

from .budget import BudgetLine, fill_percent, squeeze_percent, stock_budget
from .condition import form_findings, zone_condition
from .curves import CURVES, Needed
from .limits import LIMIT_TEXT, OFFERED, Limit, LimitSheet, limit_from_text, read_limits, write_limits
from .needs import STEPS
from .plan import Aim, StockPlan, plan_stock
from .rules import Finding, judge
from .sound import SoundWidth, disc_sound_width
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
    "Limit",
    "LimitSheet",
    "Needed",
    "SoundWidth",
    "StockPlan",
    "Verdict",
    "decide",
    "disc_sound_width",
    "fill_percent",
    "form_findings",
    "judge",
    "limit_from_text",
    "plan_stock",
    "read_limits",
    "squeeze_percent",
    "stock_budget",
    "write_limits",
    "zone_condition",
]
