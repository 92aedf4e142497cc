"""Strokes, rallies and players from flights."""

from halfvolley.match.foretell import View
from halfvolley.match.play import find_play
from halfvolley.match.practice import find_feed, practice_question
from halfvolley.match.settings import PlaySettings

__all__ = ["PlaySettings", "View", "find_feed", "find_play", "practice_question"]
