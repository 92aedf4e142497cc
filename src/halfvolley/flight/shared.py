"""The unknowns that all arcs of a course share: their names, and their places in its `globals`."""

import numpy as np

from halfvolley.types import CAMERA_PARAMETERS

GLOBALS = (
    *CAMERA_PARAMETERS, "gravity", "drag", "lift", "exposure", "readout", "bias_u", "bias_v",
    "restitution", "restitution_slope", "friction", "lift_bend",
)  # fmt: skip
N_GLOBALS = len(GLOBALS)

# corrections of the camera: f, cx, cy [px], k1, k2; turn [rad] and shift [m] of its pose
INTRINSICS, TURN, SHIFT = slice(0, 5), slice(5, 8), slice(8, 11)
GRAVITY, DRAG, LIFT, EXPOSURE = (GLOBALS.index(n) for n in ("gravity", "drag", "lift", "exposure"))
SHUTTER = slice(EXPOSURE, EXPOSURE + 2)  # exposure, readout
BIAS = slice(SHUTTER.stop, SHUTTER.stop + 2)  # of all detections, u and v
LAW = slice(BIAS.stop, BIAS.stop + 3)  # of the table: restitution at rest, its slope, friction
BEND = GLOBALS.index("lift_bend")  # the last of them

# (11,) a camera known exactly would make the information infinite; these sds [px, 1, rad, m], in
# the order of CAMERA_PARAMETERS, are far below use
CAMERA_FLOOR = np.array([1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-6, 1e-5, 1e-5, 1e-5])
