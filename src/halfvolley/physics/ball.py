"""The ball as a body: size, mass and what follows from them."""

import math
from dataclasses import dataclass

from halfvolley.constants import BALL_INERTIA_FACTOR, BALL_MASS_KG, BALL_RADIUS_M
from halfvolley.errors import BadInput


@dataclass(frozen=True, slots=True)
class Ball:
    """A thin hollow sphere; the defaults are the ball of the rules with its tolerances.

    Raises
    ------
    BadInput
        If radius or mass is not positive.
    """

    radius_m: float = BALL_RADIUS_M.value
    radius_sd_m: float = BALL_RADIUS_M.sd
    mass_kg: float = BALL_MASS_KG.value
    mass_sd_kg: float = BALL_MASS_KG.sd

    def __post_init__(self) -> None:
        if not (self.radius_m > 0 and self.mass_kg > 0):
            raise BadInput(
                f"a ball needs a positive radius and mass, got {self.radius_m} m and"
                f" {self.mass_kg} kg; a standard ball has 0.020 m and 0.0027 kg"
            )

    @property
    def cross_section_m2(self) -> float:
        """Area that the air sees [m^2]."""
        return math.pi * self.radius_m**2

    @property
    def volume_m3(self) -> float:
        """Volume of the sphere [m^3]."""
        return 4.0 / 3.0 * math.pi * self.radius_m**3

    @property
    def inertia_kgm2(self) -> float:
        """Moment of inertia about any axis through the centre [kg m^2]."""
        return BALL_INERTIA_FACTOR.value * self.mass_kg * self.radius_m**2
