"""Pixels to metres: projection, calibration from the table, drift."""

from halfvolley.camera.accuracy import drift_px, reprojection_sd_px, table_error_mm
from halfvolley.camera.calibration import CalibrateSettings, Calibration, calibrate
from halfvolley.camera.find import FindSettings
from halfvolley.camera.looking import WatchSettings
from halfvolley.camera.marks import MARK_NAMES, Mark, MarksCheck, compare_marks, marks_m
from halfvolley.camera.path import PathSettings
from halfvolley.camera.picture import LINE_NAMES, model_polylines
from halfvolley.camera.projection import (
    camera_at,
    intersect_plane,
    pose_at,
    project,
    project_jacobian,
    rays,
    rotation_vector,
    rotations,
)
from halfvolley.camera.refine import RefineSettings
from halfvolley.camera.sightings import SightSettings, Tone
from halfvolley.camera.watch import LineWatcher

__all__ = [
    "LINE_NAMES",
    "MARK_NAMES",
    "CalibrateSettings",
    "Calibration",
    "FindSettings",
    "LineWatcher",
    "Mark",
    "MarksCheck",
    "PathSettings",
    "RefineSettings",
    "SightSettings",
    "Tone",
    "WatchSettings",
    "calibrate",
    "camera_at",
    "compare_marks",
    "drift_px",
    "intersect_plane",
    "marks_m",
    "model_polylines",
    "pose_at",
    "project",
    "project_jacobian",
    "rays",
    "reprojection_sd_px",
    "rotation_vector",
    "rotations",
    "table_error_mm",
]
