"""What to do about it: hours, lanes, stances, wading and welfare cautions."""
