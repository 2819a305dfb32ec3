"""What to do about it: hours, lanes, stances, wading and welfare cautions."""

from reachmap.visit.model import Caution, Visit
from reachmap.visit.plan import plan_visit
from reachmap.visit.wading import cautions, wading_class

__all__ = ["Caution", "Visit", "cautions", "plan_visit", "wading_class"]
