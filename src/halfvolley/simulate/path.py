"""Where a simulated ball is at any time, and what it touched."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.simulate.kernels import places_at
from halfvolley.types import FloatArray, IntArray
from halfvolley.types.arrays import check_shapes

STATES = ("hand", "toss", "flight", "dead", "rolling", "rest")
HAND, TOSS, FLIGHT, DEAD, ROLLING, REST = range(6)

EventKind = Literal["toss_release", "racket", "table", "edge", "net", "floor", "wall", "side"]


@dataclass(frozen=True, slots=True, eq=False)
class BallPath:
    """A ball through time: cubic pieces between nodes that know place and velocity.

    A touch is a pair of nodes at one time, before and after it.
    """

    ball_id: int
    t_s: FloatArray  # (n,) ascending, equal at touches; world time [s]
    xyz_m: FloatArray  # (n, 3)
    v_mps: FloatArray  # (n, 3)
    omega_radps: FloatArray  # (n, 3)
    state: IntArray  # (n,) index into STATES of the piece that starts here

    def __post_init__(self) -> None:
        n = len(self.t_s)
        check_shapes(self, xyz_m=(n, 3), v_mps=(n, 3), omega_radps=(n, 3), state=(n,))
        if n < 1 or np.any(np.diff(self.t_s) < 0):
            raise BadInput("a ball's path needs at least one node, in time order")

    def piece(self, t_s: FloatArray) -> IntArray:
        """(n,) index of the piece in which each time lies."""
        i = np.searchsorted(self.t_s, t_s, side="right") - 1
        return np.clip(i, 0, len(self.t_s) - 1)

    def xyz_at(self, t_s: FloatArray) -> FloatArray:
        """(n, 3) places at times (n,) [m]; held before the first and after the last node."""
        return places_at(self.t_s, self.xyz_m, self.v_mps, np.atleast_1d(t_s))

    def v_at(self, t_s: FloatArray) -> FloatArray:
        """(n, 3) velocities at times (n,) [m/s]."""
        return self._between(np.atleast_1d(t_s), self.v_mps)

    def omega_at(self, t_s: FloatArray) -> FloatArray:
        """(n, 3) spin vectors at times (n,) [rad/s]."""
        return self._between(np.atleast_1d(t_s), self.omega_radps)

    def _between(self, t_s: FloatArray, values: FloatArray) -> FloatArray:
        i = self.piece(t_s)
        j = np.minimum(i + 1, len(self.t_s) - 1)
        h = self.t_s[j] - self.t_s[i]
        p = np.clip(np.where(h > 0, (t_s - self.t_s[i]) / np.where(h > 0, h, 1.0), 0.0), 0.0, 1.0)
        return values[i] + p[:, None] * (values[j] - values[i])


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """A touch of the ball, or its release at a toss."""

    kind: EventKind
    t_s: float  # world time
    xyz_m: FloatArray  # (3,) point of contact
    centre_m: FloatArray  # (3,) centre of the ball
    v_before_mps: FloatArray  # (3,)
    v_after_mps: FloatArray
    omega_before_radps: FloatArray
    omega_after_radps: FloatArray
    rally: int
    ball_id: int
    player: str | None = None  # "A" or "B" for racket and toss
    cord: bool = False  # the net's upper edge


@dataclass(frozen=True, slots=True, eq=False)
class MadeStroke:
    """A stroke as it was played."""

    rally: int
    number: int  # 1 is the serve
    player: str
    t_s: float
    kind: str
    centre_m: FloatArray  # (3,) centre of the ball at the touch
    normal: FloatArray  # (3,) of the racket, towards the ball
    v_mps: FloatArray  # (3,) after the touch
    omega_radps: FloatArray


@dataclass(frozen=True, slots=True)
class MadeRally:
    """A point as it was played."""

    rally: int
    server: str
    t_start_s: float  # the ball lies in the hand from here on
    t_toss_s: float  # it leaves the hand
    t_serve_s: float
    t_end_s: float
    n_strokes: int
    winner: str
    reason: str  # net, long, wide, side, own_side, missed, double_bounce
    ball_id: int


@dataclass(frozen=True, slots=True, eq=False)
class Game:
    """All that happens at one table: balls, touches, strokes, points."""

    paths: tuple[BallPath, ...]  # one a ball, by the time at which it comes into play
    events: tuple[Event, ...]
    strokes: tuple[MadeStroke, ...]
    rallies: tuple[MadeRally, ...]
    radius_m: float

    def ball_in_play(self, t_s: float) -> int | None:
        """Index of the path in play at a time; the first before it begins, None without balls."""
        if not self.paths:
            return None
        begun = [i for i, p in enumerate(self.paths) if p.t_s[0] <= t_s]
        return begun[-1] if begun else 0
