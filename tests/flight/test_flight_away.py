"""Flights that leave the picture and come back; spin beyond what a law that bends can lift."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from halfvolley.flight import FlightSettings
from halfvolley.types import Contact, Flights

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp
from made_play import measured


def at(flights: Flights, touch: mp.Touch, kind: str, least: float = 0.5) -> list[Contact]:
    return [
        c for c in flights.contacts
        if c.kind == kind and c.probability >= least and abs(c.t_s - touch.t_s) < 0.02
        and np.linalg.norm(c.xyz_m - touch.xyz_m) < 0.15
    ]  # fmt: skip


def up_to(path: mp.Path, i: int, rng: np.random.Generator) -> mp._Writer:
    """A path that goes on before its touch i."""
    w = mp._Writer(path.nature, float(path.starts_s[i]), path.states[i], rng)
    w.starts, w.states = list(path.starts_s[: i + 1]), list(path.states[: i + 1])
    w.touches = list(path.touches[:i])
    return w


# --- out of the picture -------------------------------------------------------------------------
def lobbed(seed: int) -> mp.Path:
    """A rally whose last ball is a lob, 2.5 to 3.5 m high, that falls to the floor."""
    rng = np.random.default_rng([seed, 605])
    nature = mp.Nature.draw(rng)
    path = mp.rally(rng, nature, strokes=3, finish="cut")
    i = max(i for i, touch in enumerate(path.touches) if touch.kind == "racket")
    start = path.touches[i].xyz_m
    up = np.array([-np.sign(start[0]) * rng.uniform(2.0, 3.0), rng.uniform(-0.4, 0.4), 8.0])
    up[2] = np.sqrt(2.0 * 9.8 * rng.uniform(3.2, 4.2))  # drag takes a quarter
    spin = mp.spin_of(up, rng.normal(10.0, 10.0), 0.0)
    w = up_to(path, i, rng)
    w.touch("racket", path.touches[i].t_s - w.t_s, np.concatenate([start, up, spin]))
    _, down = w.fall(mp.R)
    if mp.HALF_X > abs(down[0]) and mp.HALF_Y > abs(down[1]):
        w.bounce()
        return w.done(0.25)
    w.touch("floor", w.fall(mp.FLOOR_Z)[0], lambda s: nature.bounced(s, floor=True))
    return w.done(0.3)


def lobs_joined(tried: int, settings: FlightSettings, seen_above: bool = False) -> tuple[int, int]:
    """How many lobs that left the picture are one flight from stroke to landing, and how many did.

    With `seen_above` the camera's picture is so high that the ball never leaves it, and is hidden
    for as long instead.
    """
    joined = left = 0
    for seed in range(tried):
        path = lobbed(seed)
        stroke, landing = path.touches[-2:]
        rng = np.random.default_rng([seed, 607])
        scene = mp.scene(rng, "side", path=path)
        t = scene.ball_t_s
        flying = t[(t > stroke.t_s) & (t < landing.t_s)]
        k = int(np.argmax(np.diff(flying)))
        if len(flying) < 8 or flying[k + 1] - flying[k] < 0.5 or min(k + 1, len(flying) - k) < 6:
            continue
        left += 1
        if seen_above:
            scene = replace(scene, camera=higher(scene, 2500.0), detections=lower(scene, 2500.0))
        flights = measured(scene, settings)
        one = at(flights, stroke, "racket")
        two = at(flights, landing, landing.kind, 0.8)
        joined += bool(one and two and one[0].chain == two[0].chain)
    return joined, left


def higher(scene: mp.Scene, by_px: float):
    """The clip's camera with a picture that reaches so much higher."""
    camera = scene.camera.camera
    c = camera.c_px + np.array([0.0, by_px])
    size = (camera.size_px[0], int(camera.size_px[1] + by_px))
    # rows are read in the same time as before: those above the old picture take longer
    return replace(scene.camera, camera=replace(camera, c_px=c, size_px=size))


def lower(scene: mp.Scene, by_px: float):
    """The detections in a picture that reaches so much higher, dated as before."""
    d, shutter = scene.detections, scene.camera.shutter
    height = scene.camera.camera.size_px[1]
    uv = d.uv_px + np.array([0.0, by_px])
    read = shutter.readout_s * (d.uv_px[:, 1] / height - uv[:, 1] / (height + by_px))
    return replace(d, uv_px=uv, t_s=d.t_s + read)


def test_a_lob_that_left_the_picture_is_one_flight():
    joined, left = lobs_joined(12, FlightSettings())
    assert left >= 6
    assert joined >= left - 1


def test_a_longest_time_out_of_the_picture_is_obeyed():
    joined, _ = lobs_joined(6, FlightSettings(max_away_s=0.0))
    assert joined == 0


def test_a_ball_that_is_not_seen_within_the_picture_for_so_long_is_not_joined():
    joined, left = lobs_joined(6, FlightSettings(), seen_above=True)
    assert left >= 3
    assert joined == 0


# --- more spin than a law that bends can lift ---------------------------------------------------
def loops(seed: int) -> mp.Path:
    """Strokes of 100 to 130 rev/s where lift is linear in spin: each ball dives."""
    rng = np.random.default_rng([seed, 609])
    nature = mp.Nature(lift=0.45, bend=0.0)
    while True:
        path = _loops(nature, mp.rally(rng, nature, strokes=2, finish="cut"), rng)
        if path is not None:
            return path


def _loops(nature: mp.Nature, path: mp.Path, rng: np.random.Generator) -> mp.Path | None:
    i = max(i for i, touch in enumerate(path.touches) if touch.kind == "racket")
    w = up_to(path, i, rng)
    span = path.touches[i].t_s - w.t_s
    for _ in range(3):
        start = nature.fly(w.state, np.array([span]))[0, :3]
        state = _loop(nature, start, rng)
        if state is None:
            return None
        w.touch("racket", span, state)
        w.bounce()
        span = float(rng.uniform(0.15, 0.25))
        if not 1.2 < abs(nature.fly(w.state, np.array([span]))[0, 0]) < 2.8:
            return None
    return w.done(0.2)


def _loop(nature: mp.Nature, start, rng: np.random.Generator):
    side = np.sign(start[0])
    for _ in range(60):
        target = np.array([-side * rng.uniform(0.5, 1.2), rng.uniform(-0.5, 0.5), mp.R])
        span = np.hypot(*(target - start)[:2]) / rng.uniform(9.0, 12.0)
        spin = mp.spin_of(target - start, rng.uniform(100.0, 130.0), rng.normal(0.0, 10.0))
        state = mp.aimed(nature, start, target, span, spin)
        if state is not None and state[5] > 0.5 and mp._clears_net(nature, state, span):
            return state
    return None


def touches_of_loops(tried: int, settings: FlightSettings) -> tuple[int, int]:
    found = asked = 0
    for seed in range(tried):
        path = loops(seed)
        scene = mp.scene(np.random.default_rng([seed, 611]), "side", path=path)
        flights = measured(scene, settings)
        for touch in scene.touches():
            asked += 1
            found += bool(at(flights, touch, touch.kind))
    return found, asked


def test_loops_that_dive_are_followed():
    found, asked = touches_of_loops(6, FlightSettings())
    assert asked >= 25
    assert found >= 0.95 * asked


def test_a_law_of_lift_that_bends_loses_them():
    found, asked = touches_of_loops(6, FlightSettings(fast_bend=2.0))
    assert found < 0.9 * asked
