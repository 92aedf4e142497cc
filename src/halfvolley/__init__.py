"""Table tennis measured from one ordinary camera.

    import halfvolley as hv

    hv.new_session("club", ["clip.mp4"])
    hv.measure("club")
    for bounce in hv.read_summary("club").clips[0].bounces:
        print(bounce.t_s, bounce.x_m, bounce.y_m)

Public names are imported when they are first used, so that importing the package costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

# public name -> module; the order is that of the work
_PLACES = {
    # the session as a whole
    "new_session": "halfvolley.session.edit",
    "read_session": "halfvolley.session.schema",
    "measure": "halfvolley.session.pipeline",
    "plan_measure": "halfvolley.session.pipeline",
    "read_summary": "halfvolley.session.read",
    "load_clip": "halfvolley.session.pipeline",
    "write_report": "halfvolley.report.build",
    "harvest_labels": "halfvolley.session.labels",
    "read_labels": "halfvolley.session.labels",
    "export_labels": "halfvolley.session.labels",
    "import_labels": "halfvolley.session.labels",
    "open_library": "halfvolley.session.many",
    "StrokeFilter": "halfvolley.session.many",
    "compare_sessions": "halfvolley.session.comparison",
    # the stages as plain functions
    "probe": "halfvolley.video",
    "iter_frames": "halfvolley.video",
    "find_onsets": "halfvolley.video",
    "calibrate": "halfvolley.camera",
    "LineWatcher": "halfvolley.camera",
    "find_ball": "halfvolley.ball",
    "find_tracks": "halfvolley.track",
    "find_flights": "halfvolley.flight",
    "find_play": "halfvolley.match",
    "find_feed": "halfvolley.match",
    "View": "halfvolley.match",
    # settings of the stages
    "FinderSettings": "halfvolley.ball",
    "TrackSettings": "halfvolley.track",
    "FlightSettings": "halfvolley.flight",
    "PlaySettings": "halfvolley.match",
    # the nouns
    "Arc": "halfvolley.types",
    "Camera": "halfvolley.types",
    "ClipCamera": "halfvolley.types",
    "ClipInfo": "halfvolley.types",
    "Contact": "halfvolley.types",
    "Detections": "halfvolley.types",
    "Flights": "halfvolley.types",
    "Frame": "halfvolley.types",
    "Label": "halfvolley.types",
    "LabelSet": "halfvolley.types",
    "Onsets": "halfvolley.types",
    "Play": "halfvolley.types",
    "PlayedContact": "halfvolley.types",
    "Rally": "halfvolley.types",
    "Shutter": "halfvolley.types",
    "Stroke": "halfvolley.types",
    "Tracks": "halfvolley.types",
    # what can go wrong
    "HalfvolleyError": "halfvolley.errors",
    "BadInput": "halfvolley.errors",
    "BadSession": "halfvolley.errors",
    "FootageError": "halfvolley.errors",
    "NoCamera": "halfvolley.errors",
    "StorageError": "halfvolley.errors",
    "Unknown": "halfvolley.errors",
}

__all__ = [  # noqa: RUF022 in the order of the work
    "__version__",
    "new_session",
    "read_session",
    "measure",
    "plan_measure",
    "read_summary",
    "load_clip",
    "write_report",
    "harvest_labels",
    "read_labels",
    "export_labels",
    "import_labels",
    "open_library",
    "StrokeFilter",
    "compare_sessions",
    "probe",
    "iter_frames",
    "find_onsets",
    "calibrate",
    "LineWatcher",
    "find_ball",
    "find_tracks",
    "find_flights",
    "find_play",
    "find_feed",
    "View",
    "FinderSettings",
    "TrackSettings",
    "FlightSettings",
    "PlaySettings",
    "Arc",
    "Camera",
    "ClipCamera",
    "ClipInfo",
    "Contact",
    "Detections",
    "Flights",
    "Frame",
    "Label",
    "LabelSet",
    "Onsets",
    "Play",
    "PlayedContact",
    "Rally",
    "Shutter",
    "Stroke",
    "Tracks",
    "HalfvolleyError",
    "BadInput",
    "BadSession",
    "FootageError",
    "NoCamera",
    "StorageError",
    "Unknown",
]

if TYPE_CHECKING:  # the same names, for editors and type checkers
    from halfvolley.ball import FinderSettings, find_ball
    from halfvolley.camera import LineWatcher, calibrate
    from halfvolley.errors import (
        BadInput,
        BadSession,
        FootageError,
        HalfvolleyError,
        NoCamera,
        StorageError,
        Unknown,
    )
    from halfvolley.flight import FlightSettings, find_flights
    from halfvolley.match import PlaySettings, View, find_feed, find_play
    from halfvolley.report.build import write_report
    from halfvolley.session.comparison import compare_sessions
    from halfvolley.session.edit import new_session
    from halfvolley.session.labels import (
        export_labels,
        harvest_labels,
        import_labels,
        read_labels,
    )
    from halfvolley.session.many import StrokeFilter, open_library
    from halfvolley.session.pipeline import load_clip, measure, plan_measure
    from halfvolley.session.read import read_summary
    from halfvolley.session.schema import read_session
    from halfvolley.track import TrackSettings, find_tracks
    from halfvolley.types import (
        Arc,
        Camera,
        ClipCamera,
        ClipInfo,
        Contact,
        Detections,
        Flights,
        Frame,
        Label,
        LabelSet,
        Onsets,
        Play,
        PlayedContact,
        Rally,
        Shutter,
        Stroke,
        Tracks,
    )
    from halfvolley.video import find_onsets, iter_frames, probe


def __getattr__(name: str) -> Any:
    if name in _PLACES:
        value = getattr(import_module(_PLACES[name]), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
