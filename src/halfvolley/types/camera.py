"""The camera of a clip: projection, pose through time, shutter, and how well each is known."""

from dataclasses import dataclass, replace

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.types.arrays import FloatArray, check_shapes

CAMERA_PARAMETERS = ("f", "cx", "cy", "k1", "k2", "rx", "ry", "rz", "tx", "ty", "tz")
"""Order of `Camera.cov`: focal length, principal point [px], distortion, then the pose.

(rx, ry, rz) [rad] turns on the left, R -> exp([r]x) R, and (tx, ty, tz) [m] adds to t.
"""


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """Pinhole camera with radial distortion at one pose, as OpenCV uses them.

    x_camera = R x_world + t; (u, v) = f (1 + k1 r^2 + k2 r^4) (x/z, y/z) + c.
    """

    size_px: tuple[int, int]  # width, height
    f_px: float
    c_px: FloatArray  # (2,) principal point [px]
    k: FloatArray  # (2,) radial distortion k1, k2
    R: FloatArray  # (3, 3) camera_from_world
    t_m: FloatArray  # (3,) camera_from_world [m]
    cov: FloatArray  # (11, 11) in the order of CAMERA_PARAMETERS

    def __post_init__(self) -> None:
        check_shapes(self, c_px=(2,), k=(2,), R=(3, 3), t_m=(3,), cov=(11, 11))
        if not np.isfinite(self.f_px) or self.f_px <= 0:
            raise BadInput(f"focal length must be positive, got {self.f_px}")

    @property
    def K(self) -> FloatArray:
        """(3, 3) intrinsic matrix."""
        return np.array(
            [[self.f_px, 0.0, self.c_px[0]], [0.0, self.f_px, self.c_px[1]], [0.0, 0.0, 1.0]]
        )

    @property
    def centre_m(self) -> FloatArray:
        """(3,) place of the camera in the world frame [m]."""
        return -self.R.T @ self.t_m

    def at_pose(self, R: FloatArray, t_m: FloatArray) -> "Camera":
        """The same camera at another pose."""
        return replace(self, R=R, t_m=t_m)


@dataclass(frozen=True, slots=True)
class Shutter:
    """When a row is exposed: from t_frame + readout v/H to that + exposure."""

    readout_s: float
    readout_sd_s: float
    exposure_s: float
    exposure_sd_s: float
    source: str  # "given", "estimated" or "assumed"


@dataclass(frozen=True, slots=True, eq=False)
class ClipCamera:
    """The camera of a whole clip: pose knots through time, interpolated in between.

    Rotation vectors and translations are interpolated linearly between knots and held constant
    outside; `camera` is the pose at the first frame.
    """

    camera: Camera
    shutter: Shutter
    knot_t_s: FloatArray  # (m,) ascending, m >= 1 [s]
    knot_rvec: FloatArray  # (m, 3) Rodrigues vectors of camera_from_world [rad]
    knot_t_m: FloatArray  # (m, 3) [m]
    usable_s: FloatArray  # (j, 2) spans in which the camera is known [s]
    residual_px: float  # rms of the line points about the model
    residual_mm: float  # the same on the table
    warnings: tuple[str, ...]

    def __post_init__(self) -> None:
        m, j = len(self.knot_t_s), len(self.usable_s)
        check_shapes(self, knot_t_s=(m,), knot_rvec=(m, 3), knot_t_m=(m, 3), usable_s=(j, 2))
        if m < 1 or np.any(np.diff(self.knot_t_s) < 0):
            raise BadInput("ClipCamera needs at least one pose, in time order")
