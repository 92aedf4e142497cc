"""Scenes and games with one thing out of the ordinary, for tests and checks."""

from dataclasses import replace

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.simulate import kernels as k
from halfvolley.simulate.path import DEAD, HAND, REST, Game
from halfvolley.simulate.rally import Recorder, fly_leg, make_arena, roll, smooth_move
from halfvolley.simulate.scene import (
    BallPhysics,
    Drift,
    Hall,
    OtherTable,
    Scene,
    random_ball,
    random_player,
)
from halfvolley.types import FloatArray

FIVE_MARKS_M = np.array([[0.0, 0.0], [-1.1, -0.6], [-1.1, 0.6], [1.1, 0.6], [1.1, -0.6]])
"""Places on the table that a person can find: the middle, and one in each corner."""


def with_drift(scene: Scene, drift: Drift) -> Scene:
    """The scene filmed by a camera that moves so."""
    return replace(scene, rig=replace(scene.rig, drift=drift))


def hand_held(scene: Scene, shake_rad: float = 0.004) -> Scene:
    """The camera in a hand: a tremor of this rms about each axis."""
    return with_drift(scene, Drift(shake_rad=shake_rad, shake_hz=1.2))


def bumped(scene: Scene, when_s: float) -> Scene:
    """The stand is kicked once at a world time: it turns a degree and shifts two centimetres."""
    drift = Drift(bump_s=when_s, bump_rad=(0.006, -0.015, 0.004), bump_m=(0.02, 0.01, -0.005))
    return with_drift(scene, drift)


def zoomed(scene: Scene, when_s: float, factor: float = 1.25) -> Scene:
    """Someone turns the zoom at a world time."""
    return with_drift(scene, Drift(zoom_s=when_s, zoom=factor))


def stabilised(scene: Scene, shift_px: float = 3.0) -> Scene:
    """A stabiliser shifts and rolls each picture a little."""
    return with_drift(scene, Drift(warp_px=shift_px, warp_rad=0.002))


def uneven(scene: Scene, jitter: float = 0.4, drop_share: float = 0.06) -> Scene:
    """A variable frame rate with frames that were never stored."""
    return replace(scene, rig=replace(scene.rig, interval_jitter=jitter, drop_share=drop_share))


def at_rate(scene: Scene, fps: float) -> Scene:
    """The scene at another frame rate; the readout never exceeds the frame interval."""
    readout = min(scene.rig.readout_s, 0.9 / fps)
    return replace(scene, rig=replace(scene.rig, fps=fps, readout_s=readout))


def cut_off(scene: Scene) -> Scene:
    """The camera is too near: one end of the table lies outside the picture."""
    rig = scene.rig
    return replace(scene, rig=replace(rig, f_px=1.35 * rig.f_px, aim_m=(0.75, 0.0, 0.0)))


def with_neighbour(scene: Scene, rng: np.random.Generator, playing: bool = True) -> Scene:
    """A second table behind the first, with its own players and ball where `playing`."""
    away = 1.0 if scene.rig.centre_m[1] < 0 else -1.0
    hall = scene.hall
    hall = replace(
        hall,
        half_y_m=max(hall.half_y_m, 4.9),
        surround=None,
        things=tuple(t for t in hall.things if away * t.centre_m[1] < 1.2),
    )
    table = replace(scene.table, centre_m=(float(rng.uniform(-0.8, 0.8)), away * 3.1))
    players = (random_player(rng, "Perrin"), random_player(rng, "Asla")) if playing else None
    other = OtherTable(table, players, random_ball(rng, scene.ball.name == "white"))
    return replace(scene, hall=hall, others=(other,))


def drop_game(
    physics: BallPhysics, hall: Hall, rng: np.random.Generator, places_m: FloatArray,
    height_m: float = 0.30, dwell_s: float = 1.8, t0_s: float = 0.0,
) -> Game:  # fmt: skip
    """A ball let fall on the table at given places, one after another, from a hand out of sight.

    Parameters
    ----------
    physics : BallPhysics
        The ball's coefficients.
    hall : Hall
        The room.
    rng : numpy.random.Generator
        Of small chances at floor and net.
    places_m : (n, 2) float64
        Where on the table [m].
    height_m : float
        From the ball's lowest point to the table [m].
    dwell_s : float
        Time for each drop [s].
    t0_s : float
        World time at the start [s].

    Returns
    -------
    Game
        Without strokes and points; rally 0 in all events.

    Raises
    ------
    BadInput
        If there is no place, or the height is not positive.
    """
    places = np.asarray(places_m, dtype=np.float64).reshape(-1, 2)
    if not len(places) or height_m <= 0:
        raise BadInput(
            f"a drop needs a place and a height above 0, got {len(places)} places and {height_m} m"
        )
    world = make_arena(physics, hall)
    rec = Recorder(world.radius)
    t = t0_s
    held = np.append(places[0], world.radius + height_m)
    for place in places:
        above = np.append(place, world.radius + height_m)
        move = smooth_move(held, above, 0.5)
        rec.add(t, move, HAND)
        t += move[-1, 0]
        state = np.concatenate([above, rng.normal(0.0, 0.004, 2), [0.0], np.zeros(3)])
        end = t + dwell_s
        while t < end - 1e-9:
            leg = fly_leg(world, state, end - t, rng)
            rec.add(t, leg.nodes, DEAD)
            t += leg.nodes[-1, 0]
            state = leg.after
            if leg.code == k.FREE:
                continue
            rec.touch(t, leg, 0)
            if state[5] < 0.12:
                nodes, _ = roll(world, state, end - t, on_table=state[2] > 0)
                rec.add(t, nodes, DEAD)
                t += nodes[-1, 0]
                state = nodes[-1, 1:].copy()
                rec.hold(t, state[:3], end - t, REST)
                t = end
        held = state[:3].copy()
    rec.close_path()
    return Game(tuple(rec.paths), tuple(rec.events), (), (), world.radius)


def marks_game(
    physics: BallPhysics,
    marks_m: FloatArray = FIVE_MARKS_M,
    dwell_s: float = 0.8,
    t0_s: float = 0.0,
) -> Game:
    """A ball laid on marks of the table, one after another.

    Parameters
    ----------
    physics : BallPhysics
        The ball's size.
    marks_m : (n, 2) float64
        Where it lies [m].
    dwell_s : float
        How long it lies on each [s].
    t0_s : float
        World time at the start [s].

    Returns
    -------
    Game
        Without touches, strokes and points.
    """
    rec = Recorder(physics.radius_m)
    t, before = t0_s, None
    for mark in np.asarray(marks_m, dtype=np.float64).reshape(-1, 2):
        here = np.append(mark, physics.radius_m)
        if before is not None:
            move = smooth_move(before, here, 0.6, lift=0.25)
            rec.add(t, move, HAND)
            t += move[-1, 0]
        rec.hold(t, here, dwell_s, REST)
        t += dwell_s
        before = here
    rec.close_path()
    return Game(tuple(rec.paths), (), (), (), physics.radius_m)
