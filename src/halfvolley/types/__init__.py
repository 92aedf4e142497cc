"""The nouns that all rooms share: frozen dataclasses of arrays."""

from halfvolley.types.arrays import BoolArray, ByteImage, FloatArray, IntArray
from halfvolley.types.camera import CAMERA_PARAMETERS, Camera, ClipCamera, Shutter
from halfvolley.types.detections import Detections, concatenate
from halfvolley.types.flights import Arc, Contact, ContactKind, Flights
from halfvolley.types.frames import ClipInfo, Frame, Onsets
from halfvolley.types.labels import VETTED, Decision, Label, LabelKind, LabelSet, Origin
from halfvolley.types.play import (
    NOT_SEEN,
    Moment,
    Outcome,
    OutcomeKind,
    Play,
    PlayedContact,
    Rally,
    Side,
    Stroke,
)
from halfvolley.types.tracks import Tracks

__all__ = [
    "CAMERA_PARAMETERS",
    "NOT_SEEN",
    "VETTED",
    "Arc",
    "BoolArray",
    "ByteImage",
    "Camera",
    "ClipCamera",
    "ClipInfo",
    "Contact",
    "ContactKind",
    "Decision",
    "Detections",
    "Flights",
    "FloatArray",
    "Frame",
    "IntArray",
    "Label",
    "LabelKind",
    "LabelSet",
    "Moment",
    "Onsets",
    "Origin",
    "Outcome",
    "OutcomeKind",
    "Play",
    "PlayedContact",
    "Rally",
    "Shutter",
    "Side",
    "Stroke",
    "Tracks",
    "concatenate",
]
