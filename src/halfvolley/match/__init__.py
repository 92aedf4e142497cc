"""Strokes, rallies and players from flights."""

from halfvolley.match.foretell import View
from halfvolley.match.play import find_play
from halfvolley.match.practice import find_feed, practice_question
from halfvolley.match.settings import PlaySettings
from halfvolley.match.words import Heard, TouchWord, hear

__all__ = [
    "Heard", "PlaySettings", "TouchWord", "View", "find_feed", "find_play", "hear",
    "practice_question",
]  # fmt: skip
