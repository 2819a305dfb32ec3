"""Where trout are likely to hold on one reach, at one hour, under one sky, and what to do about it."""

__version__ = "0.1.0"
