"""The camera through a clip: a still picture, turned exactly as a moving camera would show it."""

import cv2
import numpy as np
import pytest

from halfvolley.camera import LineWatcher, camera_at, project, rays
from halfvolley.camera.looking import Looker
from halfvolley.camera.motion import (
    CUT_NOISE_PX,
    SHIFT_SD_M,
    TURN_SD_RAD,
    moved_camera,
    solve_step,
    step_between,
)
from halfvolley.camera.path import unwrapped
from halfvolley.camera.projection import rotation_vector, rotations
from halfvolley.camera.table import CORNERS_M
from halfvolley.errors import BadInput
from halfvolley.types import Frame, Shutter

SHUTTER = Shutter(0.01, 0.005, 0.002, 0.001, "assumed")
TIMES = np.arange(0.0, 3.0, 1 / 30)


def turned(camera, du, dv, roll=0.0):
    """The camera turned so that the middle of the picture moves by (du, dv) [px]."""
    return moved_camera(camera, np.array([-dv / camera.f_px, du / camera.f_px, roll, 0, 0, 0]))


def _spread(nodes, size_px):
    """Values every 25 px, spread linearly over a picture."""
    u, v = np.arange(size_px[0]), np.arange(size_px[1])
    i, j = u // 25, v // 25
    a, b = u / 25.0 - i, (v / 25.0 - j)[:, None]
    rows = nodes[:, i] * (1 - a) + nodes[:, i + 1] * a
    return (rows[j] * (1 - b) + rows[j + 1] * b).astype(np.float32)


class Clip:
    """Frames of one still scene seen by a camera that turns."""

    def __init__(self, camera, frame, seed=0):
        self.camera, self.frame = camera, frame
        self.rng = np.random.default_rng(seed)
        width, height = camera.size_px
        self.noise = self.rng.normal(0, 1.0, (height + 40, width + 40))
        # where a turn takes pixels is smooth: exact every 25 px, linear in between (1e-3 px)
        grid = np.meshgrid(np.arange(0, width + 25, 25), np.arange(0, height + 25, 25))
        self.uv = np.stack([g.ravel() for g in grid], axis=1).astype(float)
        self.shape = grid[0].shape
        self.last = (camera, frame.luma)

    def picture(self, camera):
        """The scene through another pose at the same place."""
        if camera is self.camera:
            return self.frame.luma
        if camera is not self.last[0]:
            origin, directions = rays(camera, self.uv)
            where = project(self.camera, origin + 5.0 * directions).reshape(*self.shape, 2)
            where = np.stack([_spread(w, self.camera.size_px) for w in np.moveaxis(where, 2, 0)], 2)
            moved = cv2.remap(
                self.frame.luma, where, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
            )
            self.last = (camera, moved)
        return self.last[1]

    def at(self, i, t_s, luma):
        h, w = luma.shape
        a, b = self.rng.integers(0, 40, 2)
        noisy = np.clip(luma + self.noise[a : a + h, b : b + w], 0, 255).astype(np.uint8)
        return Frame(i, float(t_s), noisy, self.frame.cb, self.frame.cr)


def watch(scene, pose_at_time, change=None, times=TIMES):
    """What the watcher says, and the largest miss of a corner where it says it knows [px]."""
    camera, frames = scene
    clip = Clip(camera, frames[0])
    watcher = LineWatcher(camera)
    poses = []
    for i, t in enumerate(times):
        pose = pose_at_time(camera, t)
        poses.append(pose)
        luma = clip.picture(pose)
        if change is not None:
            luma = change(t, luma)
        watcher.feed(clip.at(i, t, luma))
    seen = watcher.finish(SHUTTER)
    known = [any(a <= t <= b for a, b in seen.usable_s) for t in times]
    misses = [
        np.abs(project(camera_at(seen, t), CORNERS_M) - project(pose, CORNERS_M)).max()
        for t, pose, k in zip(times, poses, known, strict=True) if k
    ]  # fmt: skip
    return seen, np.array(misses), np.array(known)


def still(camera, t):
    return camera


def test_still_camera_stays_still(side):
    seen, misses, known = watch(side, still)
    assert known.all() and seen.warnings == ()
    assert misses.max() < 0.1
    assert seen.usable_s == pytest.approx(np.array([[TIMES[0], TIMES[-1]]]))
    assert seen.shutter is SHUTTER
    assert 0.0 < seen.residual_px < 0.2


def test_slow_drift_is_followed_and_most_frames_passed_over(side, monkeypatch):
    camera, frames = side
    looks = []
    original = Looker.look
    monkeypatch.setattr(Looker, "look", lambda *a, **k: looks.append(1) or original(*a, **k))
    watcher = LineWatcher(camera)
    clip = Clip(camera, frames[0])
    for i, t in enumerate(TIMES):
        watcher.feed(clip.at(i, t, clip.picture(turned(camera, 0.4 * t, -0.2 * t, 1e-4 * t))))
    seen = watcher.finish(SHUTTER)
    truth = project(turned(camera, 1.2, -0.6, 3e-4), CORNERS_M)
    assert np.abs(project(camera_at(seen, 3.0), CORNERS_M) - truth).max() < 0.15
    # negative control: the calibrated pose is off by ten times as much
    assert np.abs(project(camera, CORNERS_M) - truth).max() > 1.0
    assert len(looks) < 0.4 * len(TIMES)
    assert seen.warnings == ()


def test_bump_is_noticed_to_the_frame_and_solved_again(side):
    seen, misses, known = watch(side, lambda c, t: c if t < 1.5 else turned(c, 3.0, 2.0, 1e-3))
    assert known.all()
    assert misses.max() < 0.2
    (said,) = seen.warnings
    assert "bumped at 1.4" in said and "solved again" in said


def test_large_bump_is_found_again(side):
    seen, misses, known = watch(side, lambda c, t: c if t < 1.5 else turned(c, 22.0, -9.0, 3e-3))
    assert misses.max() < 0.2 and known.mean() > 0.95
    assert len(seen.warnings) == 1 and "1.4" in seen.warnings[0]


def test_swing_after_a_bump_is_followed(side):
    def pose(camera, t):
        if t < 1.5:
            return camera
        swing = 4.0 * np.exp(-4.0 * (t - 1.5)) * np.cos(2 * np.pi * 5.0 * (t - 1.5))
        return turned(camera, 3.0 + swing, 1.0)

    seen, misses, known = watch(side, pose)
    assert np.median(misses) < 0.1 and np.percentile(misses, 95) < 0.5 and known.mean() > 0.9
    assert len(seen.warnings) == 1


def test_cut_to_another_view_is_not_measured(side):
    rng = np.random.default_rng(2)
    other = cv2.resize(
        rng.integers(30, 200, (9, 16)).astype(np.uint8), (800, 450), interpolation=cv2.INTER_NEAREST
    )
    seen, misses, known = watch(side, still, lambda t, luma: other if 1.0 < t < 2.0 else luma)
    away = (TIMES > 1.0) & (TIMES < 2.0)
    assert not known[away].any() and known[~away].mean() > 0.95
    assert misses.max() < 0.1
    assert any("another view" in w and "1.0" in w for w in seen.warnings)


def test_somebody_before_the_camera_changes_nothing(side):
    def pass_by(t, luma):
        if not 1.0 < t < 1.8:
            return luma
        out = luma.copy()
        x = int((t - 1.0) / 0.8 * 800)
        out[:, max(0, x - 170) : x + 170] = 60
        return out

    seen, misses, known = watch(side, still, pass_by)
    assert known.mean() > 0.9 and misses.max() < 0.2
    assert not any("moved" in w or "bumped" in w for w in seen.warnings)


def test_zoom_is_not_measured(side):
    def zoom(t, luma):
        z = 1.0 + 0.12 * np.clip(t - 1.5, 0.0, 1.0)
        h, w = luma.shape
        M = np.array([[z, 0, (1 - z) * w / 2], [0, z, (1 - z) * h / 2]])
        return cv2.warpAffine(luma, M, (w, h), borderMode=cv2.BORDER_REPLICATE)

    seen, _, known = watch(side, still, zoom)
    assert known[TIMES < 1.4].all() and not known[TIMES > 2.0].any()
    assert any("zoomed" in w or "another view" in w for w in seen.warnings)


def test_shaking_camera_is_called_so(side):
    # a light stand on a springy floor: 3 Hz, nothing that jumps from frame to frame
    def pose(camera, t):
        return turned(camera, 3.0 * np.sin(2 * np.pi * 3.1 * t), 2.0 * np.sin(2 * np.pi * 2.3 * t))

    seen, misses, _ = watch(side, pose)
    assert any("shakes all the time" in w for w in seen.warnings)
    assert np.median(misses) < 0.3


def test_jumps_from_frame_to_frame_are_called_stabilisation(side):
    rng = np.random.default_rng(4)
    shifts = {round(t, 4): rng.normal(0, 1.0, 2) for t in TIMES}
    seen, misses, _ = watch(side, lambda c, t: turned(c, *shifts[round(t, 4)]))
    assert any("stabilisation" in w for w in seen.warnings)
    assert np.median(misses) < 0.3


def test_bent_picture_is_called_so(side):
    rng = np.random.default_rng(5)
    h, w = 450, 800
    grid = np.stack(np.meshgrid(np.arange(w), np.arange(h)), axis=-1).astype(np.float32)

    def bend(t, luma):
        bent = cv2.resize(rng.normal(0, 0.7, (3, 4, 2)), (w, h), interpolation=cv2.INTER_CUBIC)
        where = grid + bent.astype(np.float32)
        return cv2.remap(luma, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    seen, _, _ = watch(side, still, bend)
    assert any("stabilisation" in w for w in seen.warnings)


def test_camera_that_never_sees_the_lines():
    from made_scene import look_at

    camera = look_at((640, 360), 450, (0.4, -4.0, 1.4), (0, 0, 0))
    watcher = LineWatcher(camera)
    rng = np.random.default_rng(6)
    half = np.full((180, 320), 128, np.uint8)
    blank = cv2.GaussianBlur(rng.integers(60, 90, (360, 640)).astype(np.uint8), (0, 0), 3)
    for i in range(20):
        watcher.feed(Frame(i, i / 20.0, blank, half, half))
    seen = watcher.finish(SHUTTER)
    assert "not seen in any frame" in seen.warnings[0]
    assert len(seen.knot_t_s) == 1 and seen.knot_rvec[0] == pytest.approx(rotation_vector(camera.R))
    # the picture never changed: the corners given by hand are believed
    assert seen.usable_s == pytest.approx(np.array([[0.0, 0.95]]))


def test_no_frame_at_all_and_frames_of_another_size(side):
    camera, frames = side
    nothing = LineWatcher(camera).finish(SHUTTER)
    assert len(nothing.usable_s) == 0 and len(nothing.knot_t_s) == 1
    small = Frame(0, 0.0, frames[0].luma[:-2], frames[0].cb, frames[0].cr)
    with pytest.raises(BadInput, match="800 x 448"):
        LineWatcher(camera).feed(small)


def test_rotation_vectors_do_not_jump_at_half_a_turn():
    # a camera opposite to the usual side is turned by nearly half a turn
    axis = np.array([0.1, 0.8, -0.6])
    axis /= np.linalg.norm(axis)
    angles = np.pi + np.linspace(-0.01, 0.01, 5)
    vectors = np.array([rotation_vector(rotations(a * axis[None])[0]) for a in angles])
    assert np.abs(np.diff(vectors, axis=0)).max() > 1.0
    smooth = unwrapped(vectors)
    assert np.abs(np.diff(smooth, axis=0)).max() < 0.01
    assert rotations(smooth) == pytest.approx(rotations(vectors), abs=1e-9)


def plain_step(off, J):
    """The same by NumPy: Tukey's weights, of a scale that follows what is left."""
    noise = 0.05**2 + CUT_NOISE_PX**2
    prior = np.diag([TURN_SD_RAD**-2.0] * 3 + [SHIFT_SD_M**-2.0] * 3)
    miss = off - np.median(off)
    for _ in range(8):
        spread = max(1.4826 * np.median(np.abs(miss)), CUT_NOISE_PX)
        z = miss / (4.0 * np.sqrt(noise + spread**2))
        weight = np.where(np.abs(z) < 1.0, (1.0 - z * z) ** 2, 0.0) / (noise + spread**2)
        step = np.linalg.solve((J.T * weight) @ J + prior, (J.T * weight) @ off)
        miss = off - J @ step
    return step


def test_step_is_solved_and_outliers_are_not_believed():
    rng = np.random.default_rng(7)
    J = rng.normal(0, 1000, (60, 6))
    step = np.array([1e-3, -2e-3, 5e-4, 1e-3, -1e-3, 2e-3])
    off = J @ step + rng.normal(0, 0.05, 60)
    off[:12] += 5.0
    off[50:] = np.nan
    found = solve_step(off, np.full(60, 0.05), J)
    assert found.step == pytest.approx(step, abs=3e-4)
    assert not found.inlier[:12].any() and found.inlier[12:50].mean() > 0.9
    assert found.rms_px == pytest.approx(0.05, rel=0.4)
    assert found.step == pytest.approx(plain_step(off[:50], J[:50]), abs=1e-9)
    too_few = solve_step(np.full(60, np.nan), np.full(60, 0.05), J)
    assert not too_few.inlier.any() and too_few.step == pytest.approx(0.0)


def test_steps_add_up(side):
    camera, _ = side
    step = np.array([0.01, -0.02, 0.005, 0.01, 0.02, -0.01])
    after = moved_camera(camera, step)
    assert step_between(camera.R, camera.t_m, after.R, after.t_m) == pytest.approx(step, abs=1e-12)
