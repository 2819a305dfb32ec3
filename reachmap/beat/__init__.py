"""What was measured: files of any common format in, checked tables in metres out."""

from reachmap.beat.hull import outline_from_points
from reachmap.beat.model import Beat, Fish, Scene, Terrain, Water
from reachmap.beat.moment import Moment
from reachmap.beat.read import check_beat, read_beat

__all__ = ["Beat", "Fish", "Moment", "Scene", "Terrain", "Water", "check_beat", "outline_from_points", "read_beat"]
