"""Dropped balls, integrated and filmed by a camera that is not the one handed out."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.optimize import brentq

from halfvolley.camera import project
from halfvolley.errors import Unknown
from halfvolley.flight import find_drops
from halfvolley.physics import Environment, VerticalMotion, fly
from halfvolley.types import Arc, Camera, ClipCamera, Contact, Detections, Flights, Shutter

R = 0.020
SIZE_PX = (1280, 720)
NO_SPIN = np.zeros(3)


@dataclass(frozen=True)
class Bounce:
    t_s: float
    xy_m: np.ndarray
    v_in: float
    v_out: float


def drop(rng, air, height_m=0.3, e0=0.925, e1=0.01, n=7, t_s=0.4, place=(0.4, -0.2)):
    """Bounces of a ball let fall, and its states at any times (integrated, with drag)."""
    start = np.array([*place, R + height_m])
    v = np.array([*rng.normal(0.0, 0.06, 2), 0.0])
    legs, bounces, t = [], [], t_s
    for i in range(n + 1):
        legs.append((t, start, v))
        flown = lambda s, p=start, u=v: fly(p, u, NO_SPIN, [0.0, s], air)  # noqa: E731
        low = 0.02 if i else 1e-4
        span = brentq(lambda s, f=flown: f(s).xyz_m[1, 2] - R, low, 1.0, xtol=1e-9)
        end = flown(span)
        t, start, before = t + span, end.xyz_m[1], end.v_mps[1]
        speed = -before[2]
        v = np.array([before[0], before[1], (e0 - e1 * speed) * speed])
        bounces.append(Bounce(t, start[:2], speed, v[2]))

    def at(times):
        out = np.empty((len(times), 3))
        begin = np.array([leg[0] for leg in legs])
        for k, when in enumerate(times):
            leg = legs[max(int(np.searchsorted(begin, when, side="right")) - 1, 0)]
            out[k] = fly(leg[1], leg[2], NO_SPIN, [0.0, max(when - leg[0], 0.0)], air).xyz_m[1]
        return out

    return bounces[:n], at


def camera():
    centre = np.array([0.3, -4.2, 1.3])
    forward = np.array([0.0, 0.0, 0.1]) - centre
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    turn = np.stack([right, np.cross(forward, right), forward])
    sd = np.array([3.0, 1.0, 1.0, 2e-3, 2e-3, 4e-4, 4e-4, 2e-4, 2e-3, 2e-3, 4e-3])
    return Camera(
        SIZE_PX, 1150.0, np.array([641.0, 357.0]), np.array([-0.04, 0.01]), turn, -turn @ centre,
        np.diag(sd**2),
    )  # fmt: skip


def another(rng, c):
    """The camera that filmed: drawn from what is claimed of the one handed out."""
    off = rng.multivariate_normal(np.zeros(11), c.cov)
    import cv2

    turn = cv2.Rodrigues(off[5:8])[0]
    return Camera(
        c.size_px, c.f_px + off[0], c.c_px + off[1:3], c.k + off[3:5], turn @ c.R,
        c.t_m + off[8:11], c.cov,
    )  # fmt: skip


def film(rng, bounces, at, *, fps=60.0, noise_px=0.3, shutter, true, scale=1.0):
    """Flights as the stage before gives them, from a 720p clip of the drop."""
    end = bounces[-1].t_s + 0.7 * VerticalMotion.of().hop_time(bounces[-1].v_out)
    frames = np.arange(int(np.ceil(0.45 * fps)), int(end * fps))
    pts = frames / fps
    t = pts + 0.5 * shutter.exposure_s
    for _ in range(4):  # the row says when the ball was seen
        uv = project(true, at(t) * scale)
        t = pts + 0.5 * shutter.exposure_s + shutter.readout_s * uv[:, 1] / SIZE_PX[1]
    # the fit allows for 0.25 px beyond what is claimed, and for what all sightings share
    uv = uv + rng.normal(0.0, np.hypot(noise_px, 0.25), uv.shape) + rng.normal(0.0, 0.15, 2)
    n = len(uv)
    cov = np.tile(noise_px**2 * np.eye(2), (n, 1, 1))
    detections = Detections(
        frames, pts, uv, cov, np.full(n, 5.0), np.zeros((n, 2)), np.ones(n), np.zeros(n, np.int64)
    )
    touch = np.array([b.t_s for b in bounces])
    hop = np.searchsorted(touch, t)
    nine, nan = np.eye(9), np.full((3, 3), np.nan)
    arcs = tuple(
        Arc(i, 0.0, 0.0, np.zeros(3), np.zeros(3), NO_SPIN, nine, 0.45, 0.9, 2.0,
            np.flatnonzero(hop == i), 1.0, i - 1, i)
        for i in range(len(bounces) + 1)
    )  # fmt: skip
    contacts = tuple(
        Contact(
            i, "table", b.t_s + rng.normal(0.0, 0.001), 0.001,
            np.array([*(b.xy_m + rng.normal(0.0, 0.01, 2)), R]), np.eye(3) * 1e-4,
            np.array([0.0, 0.0, -b.v_in * rng.uniform(0.95, 1.05)]), np.eye(3), NO_SPIN, nan,
            np.array([0.0, 0.0, b.v_out * rng.uniform(0.97, 1.03)]), np.eye(3), NO_SPIN, nan, i,
            i + 1, 0.9, 0,
        )
        for i, b in enumerate(bounces)
    )  # fmt: skip
    return Flights(arcs, contacts, detections, shutter, ())


def clip_camera(c, shutter):
    import cv2

    rvec = cv2.Rodrigues(c.R)[0].reshape(1, 3)
    return ClipCamera(
        c, shutter, np.zeros(1), rvec, c.t_m[None], np.array([[0.0, 99.0]]), 0.2, 1.0, ()
    )


SHUTTER = Shutter(0.012, 0.003, 0.002, 0.0005, "estimated")


def measured(rng, *, scale=1.0, given=None, **drop_facts):
    air = Environment(drag=0.45 + 0.03 * float(np.clip(rng.normal(), -2, 2)))
    bounces, at = drop(rng, air, **drop_facts)
    true_shutter = replace(
        SHUTTER, readout_s=SHUTTER.readout_s + SHUTTER.readout_sd_s * rng.normal()
    )
    flights = film(rng, bounces, at, shutter=true_shutter, true=another(rng, camera()), scale=scale)
    flights = replace(flights, shutter=SHUTTER)
    return bounces, find_drops(flights, clip_camera(camera(), SHUTTER), environment=given)


def test_restitution_and_gravity_are_as_good_as_they_claim():
    """Pooled over drops: squared errors over claimed variances, within 3 sd of chi-square's."""
    z_e, z_t, z_g, sds = [], [], [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        bounces, drops = measured(rng, height_m=rng.uniform(0.25, 0.5), n=6)
        for true, found in zip(bounces, drops.bounces, strict=True):
            e = true.v_out / true.v_in
            z_e.append((found.restitution - e) / found.restitution_sd)
            z_t.append((found.t_s - true.t_s) / found.t_sd_s)
            sds.append(found.restitution_sd)
        z_g.append((drops.gravity_mps2 - 9.80665) / drops.gravity_sd_mps2)
    assert 0.35 < np.mean(np.square(z_e)) < 1.5
    assert np.mean(np.square(z_t)) < 2.5  # errors of one drop are common to its bounces
    assert np.mean(np.square(z_g)) < 2.2
    assert np.median(sds) < 0.006


def test_a_fast_table_and_its_slope_are_told():
    rng = np.random.default_rng(3)
    _, drops = measured(rng, height_m=0.6, e0=0.96, e1=0.02, n=8)
    assert drops.restitution_at_rest == pytest.approx(0.96, abs=0.012)
    assert drops.restitution_slope_spm == pytest.approx(0.02, abs=0.008)
    e, sd = drops.restitution_at(drops.standard_speed_mps)
    assert (e, sd) == pytest.approx((drops.standard_restitution, drops.standard_restitution_sd))
    # a drop with drag, Cd 0.45: 2.3805 m/s; buoyancy takes 0.75 %
    assert drops.standard_speed_mps == pytest.approx(2.3627, abs=0.01)
    true = VerticalMotion.of().rise_height(e * drops.standard_speed_mps)
    assert drops.standard_rebound_m == pytest.approx(true, abs=1e-3)


def test_a_wrong_scale_is_noticed():
    """Negative control: everything 3 % larger than the camera thinks."""
    gravities = []
    for scale in (1.0, 1.03):
        _, drops = measured(np.random.default_rng(5), scale=scale, n=6)
        gravities.append((drops.gravity_mps2 - 9.80665) / drops.gravity_sd_mps2)
    assert abs(gravities[0]) < 2.5
    assert gravities[1] > 3.5


def test_heights_come_with_their_error():
    bounces, drops = measured(np.random.default_rng(7), height_m=0.3, n=5)
    first = drops.bounces[0]
    assert first.fall_m == pytest.approx(0.3, abs=4 * first.fall_sd_m)
    assert first.fall_sd_m < 0.02
    for one, two in zip(drops.bounces, drops.bounces[1:], strict=False):
        assert one.rise_m == pytest.approx(two.fall_m)
        assert one.drop == 1 and two.number == one.number + 1
    assert len(drops.bounces) == len(bounces)


def test_what_is_no_drop():
    rng = np.random.default_rng(0)
    bounces, at = drop(rng, Environment(), n=4)
    flights = film(rng, bounces, at, shutter=SHUTTER, true=camera())
    seen_by = clip_camera(camera(), SHUTTER)
    assert not isinstance(find_drops(flights, seen_by), Unknown)
    pushed = tuple(
        replace(c, v_out_mps=c.v_out_mps + np.array([3.0, 0.0, 0.0])) for c in flights.contacts
    )
    struck = tuple(replace(c, kind="racket") for c in flights.contacts)
    for contacts in ((), flights.contacts[:1], pushed, struck):
        found = find_drops(replace(flights, contacts=contacts), seen_by)
        assert isinstance(found, Unknown)
        assert "300 mm" in found.reason
