"""An invented clinic to try everything on; no real person, place or address is in it."""
