"""What a trout makes out: window, sighting range, time to decide, colours that survive."""

from reachmap.sight.acuity import arcmin, chart_denominator, cycles_per_degree, resolving_range, smallest_feature
from reachmap.sight.colours import ColourSeen, colours_at
from reachmap.sight.eyes import Eyes, load_eyes
from reachmap.sight.model import Sight
from reachmap.sight.sighting import contrast_range, decide_time, see
from reachmap.sight.window import Seen, critical_angle, inside_edge, seen_from_below, window

__all__ = [
    "ColourSeen",
    "Eyes",
    "Seen",
    "Sight",
    "arcmin",
    "chart_denominator",
    "colours_at",
    "contrast_range",
    "critical_angle",
    "cycles_per_degree",
    "decide_time",
    "inside_edge",
    "load_eyes",
    "resolving_range",
    "see",
    "seen_from_below",
    "smallest_feature",
    "window",
]
