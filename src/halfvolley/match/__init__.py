"""Strokes, rallies and players from flights."""

from halfvolley.match.play import PlaySettings, find_play

__all__ = ["PlaySettings", "find_play"]
