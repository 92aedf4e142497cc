"""Ball, air, flight and bounce: numbers in, numbers out."""

from halfvolley.physics.air import Air, air_at_altitude, air_density
from halfvolley.physics.ball import Ball
from halfvolley.physics.bounce import TableSurface, bounce
from halfvolley.physics.drop import (
    VerticalMotion,
    restitution_from_heights,
    restitution_from_intervals,
)
from halfvolley.physics.flight import (
    Environment,
    States,
    fly,
    landing,
    lift_is_doubtful,
    reynolds_number,
    spin_parameter,
)

__all__ = [
    "Air",
    "Ball",
    "Environment",
    "States",
    "TableSurface",
    "VerticalMotion",
    "air_at_altitude",
    "air_density",
    "bounce",
    "fly",
    "landing",
    "lift_is_doubtful",
    "restitution_from_heights",
    "restitution_from_intervals",
    "reynolds_number",
    "spin_parameter",
]
