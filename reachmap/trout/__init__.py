"""Where they hold: curves, day and night scores, limiting factor, lies, comparing, how sure."""

from reachmap.trout.curves import Curves, load_curves, write_curves
from reachmap.trout.lies import find_lies
from reachmap.trout.model import FACTORS, LIE_CLASSES, Comparison, Holding, Lies, Outlook
from reachmap.trout.score import cover_number, hold, outlook_for, seam_number
from reachmap.trout.sure import how_sure

__all__ = [
    "FACTORS",
    "LIE_CLASSES",
    "Comparison",
    "Curves",
    "Holding",
    "Lies",
    "Outlook",
    "cover_number",
    "find_lies",
    "hold",
    "how_sure",
    "load_curves",
    "outlook_for",
    "seam_number",
    "write_curves",
]
