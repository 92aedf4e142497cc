"""Made footage with exact truth: halls, cameras, rallies and players, from seeds to clips."""

from halfvolley.simulate.clips import ClipSettings, Cut, Take, make_chapters, make_clip, prepare
from halfvolley.simulate.crops import Crop, CropSettings, iter_crops, varied_scene
from halfvolley.simulate.path import BallPath, Event, Game, MadeRally, MadeStroke
from halfvolley.simulate.rally import RallySettings, play_game
from halfvolley.simulate.scene import (
    BallLook,
    BallPhysics,
    CameraRig,
    Drift,
    Hall,
    Lamp,
    OtherTable,
    PlayerLook,
    Poster,
    Scene,
    TableLook,
    Thing,
    random_scene,
)
from halfvolley.simulate.truth import Truth, truth_path, write_truth

__all__ = [
    "BallLook",
    "BallPath",
    "BallPhysics",
    "CameraRig",
    "ClipSettings",
    "Crop",
    "CropSettings",
    "Cut",
    "Drift",
    "Event",
    "Game",
    "Hall",
    "Lamp",
    "MadeRally",
    "MadeStroke",
    "OtherTable",
    "PlayerLook",
    "Poster",
    "RallySettings",
    "Scene",
    "TableLook",
    "Take",
    "Thing",
    "Truth",
    "iter_crops",
    "make_chapters",
    "make_clip",
    "play_game",
    "prepare",
    "random_scene",
    "truth_path",
    "varied_scene",
    "write_truth",
]
