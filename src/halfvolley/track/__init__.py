"""Linking detections into smooth pieces of image motion."""

from halfvolley.track.clutter import faint, good_score, vagueness
from halfvolley.track.link import TrackSettings, find_tracks

__all__ = ["TrackSettings", "faint", "find_tracks", "good_score", "vagueness"]
