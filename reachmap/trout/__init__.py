"""Where they hold: curves, scores by day and night, lies, comparing, learning from a log."""
