"""Small pictures, so that the whole folder stays fast."""

from dataclasses import replace

import numpy as np
import pytest

from halfvolley.simulate import Scene, random_scene
from halfvolley.simulate.scene import Drift

SIZE_PX = (320, 200)


@pytest.fixture(scope="session")
def scene() -> Scene:
    """A side view without drift, flicker or a fading rim."""
    made = random_scene(np.random.default_rng(4), "side", size_px=SIZE_PX, white_ball=False)
    # few lamps and things: the light on the floor is worked out for each picture
    hall = replace(made.hall, things=(), lamps=made.hall.lamps[:1], half_x_m=5.5, half_y_m=5.5)
    return replace(
        made, hall=hall, rig=replace(made.rig, drift=Drift(), flicker_depth=0.0, vignette=0.0)
    )
