"""Strokes, rallies and players from flights."""

from halfvolley.match.foretell import View
from halfvolley.match.play import PlaySettings, find_play
from halfvolley.match.practice import find_feed, practice_question

__all__ = ["PlaySettings", "View", "find_feed", "find_play", "practice_question"]
