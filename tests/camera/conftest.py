"""Made halls that several tests look at, rendered once."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))  # importlib mode does not do it

from made_scene import (
    BLUE,
    GREEN,
    GREY,
    PLANKS,
    TILES,
    Thing,
    hall_things,
    look_at,
    shoot,
    table_things,
)


@pytest.fixture(scope="session")
def side():
    """From the side, with a lens that bends, planks and a court painted on the floor."""
    camera = look_at(
        (800, 450), 600, (0.4, -4.0, 1.4), (0.1, 0, -0.1), k=(-0.1, 0.02), c_off=(3, -2)
    )
    rng = np.random.default_rng(3)
    return camera, shoot(camera, hall_things(rng, PLANKS) + table_things(BLUE))


@pytest.fixture(scope="session")
def end():
    """From behind an end, a player in the way, warm light from one side, a grey table."""
    camera = look_at((800, 450), 700, (-4.6, -0.5, 1.9), (0.3, 0, 0), k=(-0.05, 0.01), roll=0.01)
    rng = np.random.default_rng(8)
    things = hall_things(rng, TILES) + table_things(GREY, white=(0.7, 0.7, 0.7))
    frames = shoot(camera, things, pictures=5, seed=4, cast_rgb=(1.0, 0.85, 0.7), noise=0.015)
    return camera, frames


@pytest.fixture(scope="session")
def corner():
    """From a high corner on the other side, upright picture, two tables."""
    camera = look_at((450, 640), 420, (3.0, 3.0, 2.6), (0, 0, 0.1), k=(-0.03, 0.0))
    rng = np.random.default_rng(5)
    things = hall_things(rng, TILES) + table_things(GREEN)
    things += table_things(GREEN, at=(-2.6, -2.2), turn=0.05)
    return camera, shoot(camera, things, seed=6)


@pytest.fixture(scope="session")
def no_table():
    """A hall with a court of other sport, its lines as white as a table's."""
    camera = look_at((640, 360), 450, (0.5, -6.0, 2.4), (0, 0, -0.7))
    court = Thing((-3.4, -1.9, -0.757), (6.8, 0, 0), (0, 3.8, 0), (0.1, 0.3, 0.15), pattern=8)
    return shoot(camera, [*hall_things(np.random.default_rng(5), PLANKS), court], people=1)
