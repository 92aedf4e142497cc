"""From contacts to strokes, rallies and players."""
