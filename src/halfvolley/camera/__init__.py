"""Pixels to metres: projection, calibration from the table, drift."""

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

__all__ = [
    "camera_at",
    "intersect_plane",
    "pose_at",
    "project",
    "project_jacobian",
    "rays",
    "rotation_vector",
    "rotations",
]
