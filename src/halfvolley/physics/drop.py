"""A ball that falls and bounces on one spot, in closed form, with drag.

Leaving out drag makes a table seem dead: a ball that rises to 230 mm from 300 mm has a restitution
of 0.90 to 0.91, not sqrt(230 / 300) = 0.876. Speeds and heights follow from
v dv/dh = +-g - v^2 / L with the terminal speed u = sqrt(g L).
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy  # its parts are loaded when they are used
from numpy.typing import ArrayLike

from halfvolley.errors import BadInput
from halfvolley.physics.flight import Environment
from halfvolley.types.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class VerticalMotion:
    """Straight fall and rise of a ball without spin in given air."""

    terminal_speed_mps: float  # u
    drag_length_m: float  # L

    @staticmethod
    def of(environment: Environment | None = None) -> "VerticalMotion":
        """Vertical motion of the ball, in the air and with the drag of an environment."""
        e = environment or Environment()
        return VerticalMotion(e.terminal_speed_mps, e.drag_length_m)

    def fall_speed(self, height_m: float) -> float:
        """Speed after a fall from rest, u sqrt(1 - exp(-2 h / L)) [m/s]."""
        return self.terminal_speed_mps * math.sqrt(
            -math.expm1(-2.0 * height_m / self.drag_length_m)
        )

    def fall_time(self, height_m: float) -> float:
        """Time of a fall from rest, (L / u) arccosh(exp(h / L)) [s]."""
        return (
            self.drag_length_m
            / self.terminal_speed_mps
            * math.acosh(math.exp(height_m / self.drag_length_m))
        )

    def rise_height(self, speed_mps: float) -> float:
        """Height that a ball thrown up reaches, (L / 2) ln(1 + v^2 / u^2) [m]."""
        return 0.5 * self.drag_length_m * math.log1p((speed_mps / self.terminal_speed_mps) ** 2)

    def rise_time(self, speed_mps: float) -> float:
        """Time that a ball thrown up rises, (L / u) arctan(v / u) [s]."""
        u = self.terminal_speed_mps
        return self.drag_length_m / u * math.atan(speed_mps / u)

    def rise_speed(self, height_m: float) -> float:
        """Speed with which a ball must be thrown up to reach a height [m/s]."""
        return self.terminal_speed_mps * math.sqrt(math.expm1(2.0 * height_m / self.drag_length_m))

    def hop_time(self, speed_mps: float) -> float:
        """Time from leaving the table to the next touch [s]."""
        return self.rise_time(speed_mps) + self.fall_time(self.rise_height(speed_mps))

    def hop_height(self, speed_mps: float, time_s: ArrayLike) -> FloatArray:
        """Height at times after leaving the table, L ln(cos(a - b) / cos a), then falling [m].

        With a = arctan(v / u) and b = u t / L while it rises; L ln cosh(u t / L) below the top.
        """
        rate = self.terminal_speed_mps / self.drag_length_m
        top = self.rise_time(speed_mps)
        t = np.asarray(time_s, dtype=np.float64)
        angle = math.atan(speed_mps / self.terminal_speed_mps)
        rising = np.cos(angle - rate * np.minimum(t, top)) / math.cos(angle)
        falling = np.cosh(rate * np.maximum(t - top, 0.0))
        height: FloatArray = self.drag_length_m * np.log(rising / falling)
        return height

    def hop_speed(self, time_s: float) -> float:
        """Speed with which a ball leaves the table for a hop that lasts a time [m/s]."""
        # drag shortens a hop, so v > g t / 2; and the rise is its shorter half, so v is less than
        # what a rise of t / 2 needs
        half_turn = 0.5 * time_s * self.terminal_speed_mps / self.drag_length_m
        low = 0.99 * half_turn * self.terminal_speed_mps
        high = 1.01 * self.terminal_speed_mps * math.tan(min(half_turn, 1.57))
        return float(
            scipy.optimize.brentq(lambda v: self.hop_time(v) - time_s, low, high, xtol=1e-12)
        )


def restitution_from_heights(
    drop_m: float, rebound_m: float, environment: Environment | None = None
) -> float:
    """Restitution of a table from the height of a drop and of its rebound, with drag.

    Parameters
    ----------
    drop_m, rebound_m : float
        Heights of the lowest point of the ball above the table, at rest at the top [m].
    environment : Environment, optional
        Ball, air and drag coefficient; the result moves by 0.007 where the latter moves by 0.1.

    Returns
    -------
    float
        Restitution at the speed of that drop [1].

    Raises
    ------
    BadInput
        If a height is not positive, or the rebound is higher than the drop.
    """
    if not 0.0 < rebound_m <= drop_m:
        raise BadInput(
            f"a ball dropped from {drop_m} m cannot rise to {rebound_m} m; both heights must be"
            " positive and in metres"
        )
    motion = VerticalMotion.of(environment)
    return motion.rise_speed(rebound_m) / motion.fall_speed(drop_m)


def restitution_from_intervals(
    interval_s: ArrayLike, environment: Environment | None = None
) -> FloatArray:
    """Restitution of each bounce between two hops, from the times between bounces, with drag.

    Parameters
    ----------
    interval_s : array_like, (n,)
        Times between successive bounces on one spot, n >= 2 [s].
    environment : Environment, optional
        Ball, air and drag coefficient.

    Returns
    -------
    FloatArray
        (n - 1,) restitutions [1]. Without drag they would be the ratios of the times.

    Raises
    ------
    BadInput
        If there are fewer than two times, or one is not between 1 ms and 2 s.
    """
    times = np.asarray(interval_s, dtype=np.float64)
    if times.ndim != 1 or len(times) < 2:
        raise BadInput("restitution needs the times of at least two hops, one after the other")
    if not np.all((times >= 0.001) & (times <= 2.0)):
        raise BadInput(
            f"times between bounces must lie between 0.001 and 2 s, got {times.tolist()}"
        )
    motion = VerticalMotion.of(environment)
    out = np.array([motion.hop_speed(t) for t in times])
    into = np.array([motion.fall_speed(motion.rise_height(v)) for v in out])
    return out[1:] / into[:-1]
