"""What you take along: rasters, vectors, waypoints, the map, the card, the run record."""
