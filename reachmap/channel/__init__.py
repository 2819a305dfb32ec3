"""The water: a grid along the channel with depth and speed everywhere."""
