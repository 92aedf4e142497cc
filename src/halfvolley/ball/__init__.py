"""The ball in pixels: what changes, what has its colour, where exactly it is."""

from halfvolley.ball.finder import BallFinder, Loaded, find_ball, iter_detections
from halfvolley.ball.rest import RestFinder, RestingBall, RestSettings, find_resting
from halfvolley.ball.settings import FinderSettings, RadiusMap

__all__ = [
    "BallFinder",
    "FinderSettings",
    "Loaded",
    "RadiusMap",
    "RestFinder",
    "RestSettings",
    "RestingBall",
    "find_ball",
    "find_resting",
    "iter_detections",
]
