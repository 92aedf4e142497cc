"""Bounce of the ball on the table: the checked shell of the compiled law."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from halfvolley.constants import (
    BALL_RADIUS_M,
    TABLE_FRICTION,
    TABLE_RESTITUTION_AT_REST,
    TABLE_RESTITUTION_SLOPE,
)
from halfvolley.errors import BadInput
from halfvolley.physics import kernels
from halfvolley.types.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class TableSurface:
    """How a table throws a ball back: restitution e0 - e1 |vz| (0.5 at least) and friction mu.

    The standard deviations are those of the priors: tables and balls differ that much.

    Raises
    ------
    BadInput
        If e0 is outside 0.5-1 (energy would rise), or e1 or mu is negative.
    """

    restitution_at_rest: float = TABLE_RESTITUTION_AT_REST.value  # e0 [1]
    restitution_at_rest_sd: float = TABLE_RESTITUTION_AT_REST.sd
    restitution_slope_spm: float = TABLE_RESTITUTION_SLOPE.value  # e1 [s/m]
    restitution_slope_sd_spm: float = TABLE_RESTITUTION_SLOPE.sd
    friction: float = TABLE_FRICTION.value  # mu [1]
    friction_sd: float = TABLE_FRICTION.sd

    def __post_init__(self) -> None:
        if not 0.5 <= self.restitution_at_rest <= 1.0:
            raise BadInput(
                f"restitution must lie between 0.5 and 1, got {self.restitution_at_rest};"
                " a table gives about 0.92"
            )
        if not (self.restitution_slope_spm >= 0.0 and self.friction >= 0.0):
            raise BadInput(
                "slope of restitution and friction must not be negative, got"
                f" {self.restitution_slope_spm} s/m and {self.friction}"
            )

    def restitution(self, vertical_speed_mps: float) -> float:
        """Ratio of the vertical speeds after and before a bounce.

        Parameters
        ----------
        vertical_speed_mps : float
            Vertical speed before the bounce, of either sign [m/s].

        Returns
        -------
        float
            Restitution [1].
        """
        line = self.restitution_at_rest - self.restitution_slope_spm * abs(vertical_speed_mps)
        return max(line, kernels.MIN_RESTITUTION)


def bounce(
    v_mps: ArrayLike,
    omega_radps: ArrayLike,
    surface: TableSurface | None = None,
    radius_m: float = BALL_RADIUS_M.value,
) -> tuple[FloatArray, FloatArray]:
    """Velocity and spin after a bounce on the table.

    Parameters
    ----------
    v_mps : array_like, (3,)
        Velocity before, world frame, going down [m/s].
    omega_radps : array_like, (3,)
        Spin vector before [rad/s].
    surface : TableSurface, optional
        Restitution and friction.
    radius_m : float
        Radius of the ball [m].

    Returns
    -------
    tuple of FloatArray
        Velocity (3,) [m/s] and spin vector (3,) [rad/s] after.

    Raises
    ------
    BadInput
        If a shape is wrong, a value is not finite or the ball does not go down.

    Notes
    -----
    A thin hollow sphere slides through the whole contact or leaves it rolling, whichever takes
    less from the slip. Spin about the vertical stays as it is. That a gripping ball can spring back
    tangentially (Cross 2002, Am. J. Phys. 70, 1093) is not modelled; it belongs to the error of
    the spin after the bounce.
    """
    v = np.ascontiguousarray(v_mps, dtype=np.float64)
    w = np.ascontiguousarray(omega_radps, dtype=np.float64)
    if v.shape != (3,) or w.shape != (3,) or not np.all(np.isfinite([v, w])):
        raise BadInput("velocity and spin must be three finite numbers each")
    if not v[2] < 0.0:
        raise BadInput(f"a ball must go down to bounce, got a vertical speed of {v[2]} m/s")
    s = surface or TableSurface()
    return kernels.bounce(
        v, w, s.restitution_at_rest, s.restitution_slope_spm, s.friction, radius_m
    )
