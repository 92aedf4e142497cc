"""Hand-written touches, and what they are read as."""

from dataclasses import replace

import numpy as np

from halfvolley.match import find_play
from halfvolley.types import Contact, Detections, Flights, Play, Shutter


def touch(kind, t_s, x_m, vx_in=np.nan, vx_out=np.nan, probability=0.99, contact_id=-1) -> Contact:
    def v(vx):
        return np.array([vx, 0.1, -1.0]) if np.isfinite(vx) else np.full(3, np.nan)

    eye = np.eye(3)
    return Contact(
        contact_id=contact_id, kind=kind, t_s=t_s, t_sd_s=0.001,
        xyz_m=np.array([x_m, 0.2, 0.1 if kind == "net" else 0.02]), cov_xyz_m2=eye,
        v_in_mps=v(vx_in), v_in_cov=eye,
        omega_in_radps=np.zeros(3), omega_in_cov=eye, v_out_mps=v(vx_out), v_out_cov=eye,
        omega_out_radps=np.zeros(3), omega_out_cov=eye, arc_in=0, arc_out=1,
        probability=probability, chain=0,
    )  # fmt: skip


def flights_of(touches) -> Flights:
    contacts = tuple(replace(c, contact_id=i) for i, c in enumerate(touches))
    return Flights((), contacts, Detections.empty(), Shutter(0, 0, 0, 0, "given"), ())


def play_of(touches, settings=None) -> Play:
    return find_play(flights_of(touches), settings)


def serve_by_a(t=1.0):
    """Racket at A, own side, other side."""
    return [
        touch("racket", t, -1.6, 0.0, 6.0),
        touch("table", t + 0.15, -0.9, 6.0, 5.5),
        touch("table", t + 0.50, 0.8, 5.0, 4.5),
    ]


def return_by_b(t):
    return [touch("racket", t, 1.7, 4.0, -8.0), touch("table", t + 0.35, -0.7, -7.0, -6.0)]


def mirrored(touches):
    flip = np.array([-1.0, -1.0, 1.0])
    return [
        replace(c, xyz_m=c.xyz_m * flip, v_in_mps=c.v_in_mps * flip, v_out_mps=c.v_out_mps * flip)
        for c in touches
    ]


def fed_to_a(t, *, answer=True):
    """A ball from end B that nobody was seen to strike, and A's stroke at it."""
    came = [touch("table", t, -0.9, -5.0, -4.5)]
    return [*came, touch("racket", t + 0.3, -1.7, -4.0, 9.0)] if answer else came


def drill(n=8, gap_s=1.2):
    """Balls of a machine: good, out, into the net, over the net cord, missed, and again."""
    out = []
    for i in range(n):
        t = 1.0 + gap_s * i
        ends = [
            [touch("table", t + 0.7, 0.9, 8.0, 7.0)],
            [touch("floor", t + 1.0, 2.9, 8.0)],
            [touch("net", t + 0.5, 0.0, 8.0, -0.4), touch("floor", t + 0.9, -0.4, -0.4)],
            [touch("net", t + 0.5, 0.0, 8.0, 3.0), touch("table", t + 0.8, 0.6, 3.0, 2.5)],
            [],
        ][i % 5]
        out += [*fed_to_a(t, answer=i % 5 != 4), *ends]
    return out
