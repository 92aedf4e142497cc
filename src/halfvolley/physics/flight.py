"""Flight of a spinning ball through air: the checked shell of the compiled kernels."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from halfvolley.constants import (
    DRAG_COEFFICIENT,
    LIFT_BEND,
    LIFT_SCALE,
    SPIN_DECAY_PS,
    STANDARD_GRAVITY_MPS2,
)
from halfvolley.errors import BadInput, Unknown
from halfvolley.physics import kernels
from halfvolley.physics.air import Air
from halfvolley.physics.ball import Ball
from halfvolley.types.arrays import FloatArray, check_shapes


@dataclass(frozen=True, slots=True)
class Environment:
    """All that governs a flight except the state of the ball.

    The lift coefficient is `lift` S / (`lift_bend` S + 1), with the spin parameter
    S = R |w| / |v|: linear in S for a bend of 0; laws that saturate have 2. Spin decays as
    exp(-`spin_decay_ps` t).

    Buoyancy is in `effective_gravity_mps2`. The mass of air that a sphere drags along (0.75 % of
    the ball's) is neglected; a drag coefficient measured in flight holds it already.

    Raises
    ------
    BadInput
        If gravity or drag is not positive, or the bend is negative.
    """

    ball: Ball = field(default_factory=Ball)
    air: Air = field(default_factory=Air)
    gravity_mps2: float = STANDARD_GRAVITY_MPS2.value
    drag: float = DRAG_COEFFICIENT.value
    lift: float = LIFT_SCALE.value
    spin_decay_ps: float = SPIN_DECAY_PS.value
    lift_bend: float = LIFT_BEND.value

    def __post_init__(self) -> None:
        if not (self.gravity_mps2 > 0 and self.drag > 0):
            raise BadInput(
                "gravity and drag coefficient must be positive, got"
                f" {self.gravity_mps2} m/s^2 and {self.drag}; use 9.81 and 0.45 if unknown"
            )
        if not self.lift_bend >= 0:
            raise BadInput(f"lift_bend must not be negative, got {self.lift_bend}")

    @property
    def effective_gravity_mps2(self) -> float:
        """Gravity less buoyancy, g (1 - rho V / m) [m/s^2]; 1.5 % less than g."""
        displaced_kg = self.air.density_kgpm3 * self.ball.volume_m3
        return self.gravity_mps2 * (1.0 - displaced_kg / self.ball.mass_kg)

    @property
    def air_factor_pm(self) -> float:
        """b = rho A / (2 m) [1/m]: the air takes b Cd |v|^2 of the speed each second."""
        return self.air.density_kgpm3 * self.ball.cross_section_m2 / (2.0 * self.ball.mass_kg)

    @property
    def drag_length_m(self) -> float:
        """L = 1 / (b Cd) [m]: over it a fast flat ball keeps 1/e of its speed."""
        return 1.0 / (self.air_factor_pm * self.drag)

    @property
    def terminal_speed_mps(self) -> float:
        """Speed at which drag carries the ball [m/s]."""
        return math.sqrt(self.effective_gravity_mps2 * self.drag_length_m)

    @property
    def kernel_arguments(self) -> tuple[float, float, float, float, float, float, float]:
        """(g, b, drag, lift, decay, radius, bend) in the order that all kernels take them."""
        return (
            self.effective_gravity_mps2, self.air_factor_pm, self.drag, self.lift,
            self.spin_decay_ps, self.ball.radius_m, self.lift_bend,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class States:
    """Where the ball is and how it moves, at n times; n may be 0."""

    t_s: FloatArray  # (n,) [s]
    xyz_m: FloatArray  # (n, 3) centre, world frame [m]
    v_mps: FloatArray  # (n, 3)
    omega_radps: FloatArray  # (n, 3)

    def __post_init__(self) -> None:
        n = len(self.t_s)
        check_shapes(self, xyz_m=(n, 3), v_mps=(n, 3), omega_radps=(n, 3))

    def __len__(self) -> int:
        return len(self.t_s)


def fly(
    xyz_m: ArrayLike,
    v_mps: ArrayLike,
    omega_radps: ArrayLike,
    t_s: ArrayLike,
    environment: Environment | None = None,
) -> States:
    """States of a ball in free flight.

    Parameters
    ----------
    xyz_m : array_like, (3,)
        Centre of the ball at t = 0, world frame [m].
    v_mps : array_like, (3,)
        Velocity at t = 0 [m/s].
    omega_radps : array_like, (3,)
        Spin vector at t = 0 [rad/s]; topspin of a ball flying to +x is +y.
    t_s : array_like, (n,)
        Times relative to the start, ascending; negative ones lie before it [s].
    environment : Environment, optional
        Ball, air and coefficients; by default the standard ball in dry air of 20 C.

    Returns
    -------
    States
        One state for each time.

    Raises
    ------
    BadInput
        If a shape is wrong, a value is not finite or the times go back.
    """
    xyz, v, w = (
        _vector("xyz_m", xyz_m),
        _vector("v_mps", v_mps),
        _vector("omega_radps", omega_radps),
    )
    t = np.ascontiguousarray(t_s, dtype=np.float64)
    if t.ndim != 1 or not np.all(np.isfinite(t)) or np.any(np.diff(t) < 0):
        raise BadInput("t_s must be one row of finite times in ascending order; sort them")
    arguments = (environment or Environment()).kernel_arguments
    s = kernels.fly(xyz, v, w, *arguments, t)
    return States(t, s[:, 0:3], s[:, 3:6], s[:, 6:9])


def landing(
    xyz_m: ArrayLike,
    v_mps: ArrayLike,
    omega_radps: ArrayLike,
    height_m: float,
    environment: Environment | None = None,
    t_max_s: float = 5.0,
) -> States | Unknown:
    """First descent of the ball's centre through a height.

    Parameters
    ----------
    xyz_m, v_mps, omega_radps : array_like, (3,)
        Centre [m], velocity [m/s] and spin vector [rad/s] at t = 0, world frame.
    height_m : float
        Height of the centre at the descent; for a bounce on the table, the radius [m].
    environment : Environment, optional
        Ball, air and coefficients; by default the standard ball in dry air of 20 C.
    t_max_s : float
        How long to follow the ball; 5 s is longer than any flight in a hall [s].

    Returns
    -------
    States or Unknown
        The one state there, with its time after the start; Unknown if the ball does not come down
        through the height in time. A ball that starts on the height must first rise above it, by
        more than the 0.1 mm that it can rise and fall within one step.

    Raises
    ------
    BadInput
        If a shape is wrong or a value is not finite.
    """
    xyz, v, w = (
        _vector("xyz_m", xyz_m),
        _vector("v_mps", v_mps),
        _vector("omega_radps", omega_radps),
    )
    arguments = (environment or Environment()).kernel_arguments
    t, s = kernels.land(xyz, v, w, *arguments, float(height_m), float(t_max_s))
    if t < 0:
        return Unknown(f"the ball does not come down through {height_m} m within {t_max_s} s")
    return States(np.array([t]), s[None, 0:3], s[None, 3:6], s[None, 6:9])


def reynolds_number(speed_mps: float, environment: Environment | None = None) -> float:
    """Reynolds number of the ball, speed x diameter / kinematic viscosity.

    Parameters
    ----------
    speed_mps : float
        Speed through the air [m/s].
    environment : Environment, optional
        Ball and air.

    Returns
    -------
    float
        Reynolds number [1].
    """
    e = environment or Environment()
    return speed_mps * 2.0 * e.ball.radius_m * e.air.density_kgpm3 / e.air.viscosity_Pas


def spin_parameter(spin_radps: float, speed_mps: float, radius_m: float) -> float:
    """Speed of the ball's equator over its speed of flight, S = R |w| / |v|.

    Parameters
    ----------
    spin_radps : float
        Spin [rad/s].
    speed_mps : float
        Speed through the air, above 0 [m/s].
    radius_m : float
        Radius of the ball [m].

    Returns
    -------
    float
        Spin parameter [1].
    """
    return radius_m * spin_radps / speed_mps


def lift_is_doubtful(reynolds: float, spin: float) -> bool:
    """Whether lift there may be far below any smooth law, so that curvature tells little of spin.

    Parameters
    ----------
    reynolds : float
        Reynolds number [1].
    spin : float
        Spin parameter S [1].

    Returns
    -------
    bool
        True for a Reynolds number above 6e4 and S from 0.4 to 0.6.

    References
    ----------
    Miyazaki T. et al. (2017), Eur. J. Phys. 38, "Lift crisis of a spinning table tennis ball":
    a deep valley near S = 0.5, where lift nearly vanishes at a Reynolds number of 9e4.
    """
    return reynolds > 6e4 and 0.4 <= spin <= 0.6


def _vector(name: str, value: ArrayLike) -> FloatArray:
    v = np.ascontiguousarray(value, dtype=np.float64)
    if v.shape != (3,) or not np.all(np.isfinite(v)):
        raise BadInput(f"{name} must be three finite numbers, got {value!r}")
    return v
