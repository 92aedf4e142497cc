"""Tables with their play in one hall, and the light at a place."""

from dataclasses import dataclass

import numpy as np

from halfvolley.simulate.figures import Figure
from halfvolley.simulate.hall import LightImage
from halfvolley.simulate.path import BallPath, Game
from halfvolley.simulate.scene import BallLook, Scene
from halfvolley.types import FloatArray

Nodes = tuple[FloatArray, FloatArray, FloatArray]
"""A path in the hall's frame: times (n,), places (n, 3), velocities (n, 3)."""


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """A table in the hall, where it stands, who plays there and with what."""

    game: Game
    figures: tuple[Figure, ...]
    look: BallLook
    turn: FloatArray  # (3, 3) hall from table
    shift_m: FloatArray  # (3,)

    def placed(self, limbs: FloatArray) -> FloatArray:
        """Limbs in the hall's frame."""
        if not self.shift_m.any():
            return limbs
        out = limbs.copy()
        out[..., 0:3] = limbs[..., 0:3] @ self.turn.T + self.shift_m
        disc = limbs[..., 16:17] != 0.0
        ends = limbs[..., 4:7] @ self.turn.T
        out[..., 4:7] = np.where(disc, ends, ends + self.shift_m)
        return out

    def place(self, xyz_m: FloatArray) -> FloatArray:
        """(3,) place in the hall of a place at the table."""
        return np.asarray(self.turn @ xyz_m + self.shift_m)

    def nodes(self, path: BallPath) -> Nodes:
        """A path in the hall's frame."""
        return (
            path.t_s,
            np.ascontiguousarray(path.xyz_m @ self.turn.T + self.shift_m),
            np.ascontiguousarray(path.v_mps @ self.turn.T),
        )


def lamp_light(scene: Scene, at_m: FloatArray) -> FloatArray:
    """(l, 4) unit directions to the lamps and the irradiance that each gives at a place."""
    lamps = scene.hall.lamps
    d = np.array([lamp.centre_m for lamp in lamps]).reshape(-1, 3) - at_m
    power = np.array([lamp.power for lamp in lamps])
    far = np.sqrt((d * d).sum(axis=1))
    out = np.empty((len(lamps), 4))
    out[:, :3] = d / far[:, None]
    out[:, 3] = power * np.maximum(d[:, 2], 0.0) / far**3
    return out


@dataclass(slots=True, eq=False)
class Sheet:
    """A part of a frame that is being drawn, in linear light.

    Pixel (x, y) of the frame is light[y - y0, x - x0]; table and net are the still layers of the
    whole frame.
    """

    light: LightImage  # (h, w, 3)
    table: LightImage  # (H, W, 5)
    net: LightImage  # (H, W, 4)
    x0: int = 0
    y0: int = 0

    @property
    def bounds(self) -> tuple[int, int, int, int]:
        """Left, top, right, bottom in the frame; the last two are not part of it."""
        h, w = self.light.shape[:2]
        return self.x0, self.y0, self.x0 + w, self.y0 + h

    def clip(
        self, left: float, top: float, right: float, bottom: float
    ) -> tuple[int, int, int, int] | None:
        """Whole pixels of a box that lie on the sheet, or None."""
        a, b, c, d = self.bounds
        x0, y0 = max(int(np.floor(left)), a), max(int(np.floor(top)), b)
        x1, y1 = min(int(np.ceil(right)) + 1, c), min(int(np.ceil(bottom)) + 1, d)
        return (x0, y0, x1, y1) if x0 < x1 and y0 < y1 else None
