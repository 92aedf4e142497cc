"""The ball in pixels: what changes, what has its colour, where exactly it is."""
