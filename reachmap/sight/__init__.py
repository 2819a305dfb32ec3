"""What a trout makes out: window, sighting range, time to decide, colours that survive."""
