"""What reaches the bed: sun and moon, sky and cloud, shade, surface, water column."""
