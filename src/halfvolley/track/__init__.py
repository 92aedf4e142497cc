"""Linking detections into smooth pieces of image motion."""

from halfvolley.track.clutter import faint, vagueness
from halfvolley.track.link import TrackSettings, find_tracks

__all__ = ["TrackSettings", "faint", "find_tracks", "vagueness"]
