"""Flights of a made rally, and a camera that sees the table and little beside it."""

from dataclasses import replace

import numpy as np
from made_touches import serve_by_a, touch

from halfvolley.camera import rotation_vector
from halfvolley.match import View, find_play
from halfvolley.physics import Environment, fly
from halfvolley.types import Arc, Camera, ClipCamera, Detections, Flights, Play, Shutter

SHUTTER = Shutter(0.01, 0.0, 0.002, 0.0, "given")
AIR = Environment()
SD = np.array([0.005, 0.02, 0.005, 0.05, 0.15, 0.05, 30.0, 30.0, 30.0])  # of a flight from the side


def side_view(until_s=9.0, half_width_m=1.9) -> View:
    """A camera 5 m beside the table that sees so far along it from the middle."""
    f = 960.0 * 5.0 / half_width_m
    R = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    centre = np.array([0.0, -5.0, 0.6])
    camera = Camera(
        (1920, 1080), f, np.array([959.5, 539.5]), np.zeros(2), R, -R @ centre, np.zeros((11, 11))
    )
    clip_camera = ClipCamera(
        camera, SHUTTER, np.zeros(1), rotation_vector(R)[None], camera.t_m[None],
        np.array([[0.0, until_s]]), 0.1, 0.3, (),
    )  # fmt: skip
    return View(clip_camera, until_s)


def arc_of(arc_id, t0_s, t1_s, xyz_m, v_mps, *, after=-1, before=-1, sd=SD, rows=20) -> Arc:
    """A flight without spin after a contact and before another."""
    return Arc(
        arc_id, t0_s, t1_s, np.array(xyz_m, float), np.array(v_mps, float), np.zeros(3),
        np.diag(sd**2), AIR.drag, AIR.lift, AIR.lift_bend, np.arange(rows), 1.0, after, before,
    )  # fmt: skip


def state_at(arc, t_s):
    """(9,) where it is."""
    s = fly(arc.xyz_m, arc.v_mps, arc.omega_radps, [t_s - arc.t0_s], AIR)
    return np.concatenate([s.xyz_m[0], s.v_mps[0], s.omega_radps[0]])


def rally_that_leaves(v_mps, t1_s, *, view=None, more=(), arcs=()) -> Play:
    """A serves, B returns, A strikes at 2.3 s with this velocity and is last seen at t1_s."""
    stroke = replace(
        touch("racket", 2.3, -1.7, -5.0, v_mps[0]), xyz_m=np.array([-1.7, 0.0, 0.2]),
        v_out_mps=np.array(v_mps, float), arc_out=7,
    )  # fmt: skip
    back = [touch("racket", 1.8, 1.7, 4.0, -8.0), touch("table", 2.1, -0.7, -7.0, -6.0)]
    touches = [*serve_by_a(), *back, stroke, *more]
    contacts = tuple(replace(c, contact_id=i) for i, c in enumerate(touches))
    last = arc_of(7, 2.3, t1_s, [-1.7, 0.0, 0.2], v_mps, after=5)
    flights = Flights((last, *arcs), contacts, Detections.empty(), SHUTTER, ())
    return find_play(flights, view=view or side_view())
