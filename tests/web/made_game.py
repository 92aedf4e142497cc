"""A small made clip for the browser tests: a second and a half of a game in an invented hall."""

from pathlib import Path

import numpy as np

from halfvolley.simulate import (
    BallLook,
    BallPhysics,
    CameraRig,
    ClipSettings,
    Hall,
    Lamp,
    PlayerLook,
    Scene,
    TableLook,
    make_clip,
    play_game,
)
from halfvolley.simulate.scene import frame_table

START_S, DURATION_S = 1.35, 1.8
SIZE_PX = (960, 540)


def game(path: Path, duration_s: float = DURATION_S) -> Path:
    """Render it; three bounces on the table and three strokes."""
    rig = CameraRig(
        size_px=SIZE_PX, fps=60.0, centre_m=(0.5, -4.3, 1.35), aim_m=(0.05, 0.0, 0.1),
        roll_rad=0.004, f_px=0.9 * SIZE_PX[0], quality_crf=12,
    )  # fmt: skip
    lamps = tuple(Lamp((x, y, 3.9), (0.6, 0.3), 8.0) for x, y in ((-1.5, 0.3), (1.6, -0.2)))
    players = (PlayerLook("Ilva"), PlayerLook("Tamrin", shirt=(0.5, 0.05, 0.06), left_handed=True))
    hall = Hall(lamps=lamps, seed=3)
    scene = Scene(
        "Marlstead Hall", hall, TableLook(), frame_table(rig, 0.74), BallLook(), BallPhysics(),
        players,
    )  # fmt: skip
    settings = ClipSettings(spp=4, sound=False, t_offset_s=START_S)
    played = play_game(scene.physics, hall, np.random.default_rng(6), START_S + duration_s + 1.0)
    make_clip(path, scene, np.random.default_rng(1), duration_s, settings, played)
    return path
