"""The water: a grid along the channel with depth and speed everywhere."""

from reachmap.channel.build import build_channel
from reachmap.channel.model import Channel, Grid

__all__ = ["Channel", "Grid", "build_channel"]
