"""Arcs and contacts: what the ball did, in metres, each with its covariance."""

from dataclasses import dataclass
from typing import Literal

from halfvolley.types.arrays import FloatArray, IntArray, check_shapes
from halfvolley.types.camera import Shutter
from halfvolley.types.detections import Detections

ContactKind = Literal["table", "racket", "net", "edge", "floor", "other"]


@dataclass(frozen=True, slots=True, eq=False)
class Arc:
    """A flight between two contacts, as its state at the start.

    `cov` is ordered (x, y, z, vx, vy, vz, wx, wy, wz). Spin that cannot be seen keeps its prior's
    width there.
    """

    arc_id: int
    t0_s: float  # first contact, or the first sight of the ball [s]
    t1_s: float  # last contact, or the last sight [s]
    xyz_m: FloatArray  # (3,) centre at t0, world frame [m]
    v_mps: FloatArray  # (3,)
    omega_radps: FloatArray  # (3,)
    cov: FloatArray  # (9, 9)
    drag: float  # drag coefficient used
    lift: float  # scale of the lift law used
    lift_bend: float  # its bend: CL = lift S / (lift_bend S + 1)
    rows: IntArray  # rows of Flights.detections that lie on it
    residual_rms: float  # weighted, 1 where the claimed detection errors are right
    contact_in: int  # id of the contact it starts from, -1 unknown
    contact_out: int  # id of the contact it ends in, -1 unknown

    def __post_init__(self) -> None:
        check_shapes(self, xyz_m=(3,), v_mps=(3,), omega_radps=(3,), cov=(9, 9))


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """A touch of the ball. Unknown sides are NaN."""

    contact_id: int
    kind: ContactKind
    t_s: float
    t_sd_s: float
    xyz_m: FloatArray  # (3,) centre of the ball at the touch, world frame [m]
    cov_xyz_m2: FloatArray  # (3, 3)
    v_in_mps: FloatArray  # (3,)
    v_in_cov: FloatArray  # (3, 3)
    omega_in_radps: FloatArray  # (3,)
    omega_in_cov: FloatArray  # (3, 3)
    v_out_mps: FloatArray  # (3,)
    v_out_cov: FloatArray  # (3, 3)
    omega_out_radps: FloatArray  # (3,)
    omega_out_cov: FloatArray  # (3, 3)
    arc_in: int  # -1: none seen
    arc_out: int  # -1: none seen
    probability: float
    chain: int  # contacts of one chain follow each other without a gap


@dataclass(frozen=True, slots=True, eq=False)
class Flights:
    """What the ball did in one clip: arcs and contacts in time order."""

    arcs: tuple[Arc, ...]
    contacts: tuple[Contact, ...]
    detections: Detections  # all that arcs refer to
    shutter: Shutter  # as given, or as the flights showed it
    warnings: tuple[str, ...]
