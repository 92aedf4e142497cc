"""Nouns made by hand, for tests of the rooms that only pass them on."""

import shutil
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from halfvolley.types import (
    Arc,
    Camera,
    ClipCamera,
    ClipInfo,
    Contact,
    Detections,
    Flights,
    Shutter,
)

SIZE_PX = (320, 180)
CHROMIUM = ("chromium", "chromium-browser", "google-chrome")


def make_contact(kind="table", contact_id=0, t_s=1.0, x_m=0.7, **said) -> Contact:
    """A ball that goes towards +x with topspin, everything known well."""
    values = {
        "contact_id": contact_id, "kind": kind, "t_s": t_s, "t_sd_s": 0.0008,
        "xyz_m": np.array([x_m, -0.3, 0.02]),
        "cov_xyz_m2": np.diag([25e-6, 16e-6, 1e-8]) + 4e-6 * np.eye(3)[[1, 0, 2]] * [1, 1, 0],
        "v_in_mps": np.array([6.0, 0.0, -2.0]), "v_in_cov": 0.01 * np.eye(3),
        "omega_in_radps": np.array([0.0, 2 * np.pi * 20.0, 5.0]),
        "omega_in_cov": np.diag([9.0, 16.0, 250000.0]),
        "v_out_mps": np.array([5.0, 0.0, 1.8]), "v_out_cov": 0.01 * np.eye(3),
        "omega_out_radps": np.array([0.0, 2 * np.pi * 25.0, 5.0]),
        "omega_out_cov": np.diag([9.0, 16.0, 250000.0]),
        "arc_in": 0, "arc_out": 1, "probability": 0.98, "chain": 0,
    }  # fmt: skip
    return Contact(**(values | said))


def make_detections(n=6) -> Detections:
    t = np.arange(n) / 60.0
    cov = np.tile(np.array([[0.09, 0.01], [0.01, 0.04]]), (n, 1, 1))
    uv = np.stack([20.0 + 12.0 * np.arange(n), 60.0 + 4.0 * np.arange(n)], axis=1)
    return Detections(
        np.arange(n), t, uv, cov, np.full(n, 3.0), np.tile([4.0, 1.0], (n, 1)), np.full(n, 0.9),
        np.zeros(n, np.int64),
    )  # fmt: skip


def make_arc(arc_id=0, rows=(1, 2, 3), **said) -> Arc:
    rng = np.random.default_rng(5)
    root = rng.normal(size=(9, 9))
    values = {
        "arc_id": arc_id, "t0_s": 0.5, "t1_s": 1.0, "xyz_m": np.array([0.1, 0.2, 0.3]),
        "v_mps": np.array([6.0, 0.1, 1.0]), "omega_radps": np.array([1.0, 120.0, 3.0]),
        "cov": root @ root.T * 1e-4, "drag": 0.45, "lift": 0.9, "lift_bend": 2.0,
        "rows": np.array(rows), "residual_rms": 1.1, "contact_in": -1, "contact_out": 0,
    }  # fmt: skip
    return Arc(**(values | said))


def make_flights(contacts=(), arcs=(), detections=None, warnings=()) -> Flights:
    shutter = Shutter(0.011, 0.001, 0.002, 0.0003, "estimated")
    found = make_detections() if detections is None else detections
    return Flights(tuple(arcs), tuple(contacts), found, shutter, tuple(warnings))


def make_camera(size_px=SIZE_PX) -> Camera:
    """From the side, 4.5 m off and 1.5 m up, the whole table in view."""
    width, height = size_px
    centre = np.array([0.2, -4.5, 1.5])
    forward = np.array([0.0, 0.1, 0.0]) - centre
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return Camera(
        size_px, 1.2 * width, np.array([width / 2, height / 2]), np.array([-0.05, 0.01]), R,
        -R @ centre, np.diag(np.arange(1.0, 12.0) * 1e-6),
    )  # fmt: skip


def make_clip_camera(size_px=SIZE_PX, warnings=()) -> ClipCamera:
    import cv2

    camera = make_camera(size_px)
    rvec = cv2.Rodrigues(camera.R)[0].reshape(1, 3)
    return ClipCamera(
        camera, Shutter(0.011, 0.001, 0.002, 0.0003, "estimated"), np.zeros(1), rvec,
        camera.t_m[None], np.array([[0.0, 10.0]]), 0.2, 1.1, tuple(warnings),
    )  # fmt: skip


def make_info(path="/clips/a.mp4", size_px=SIZE_PX, n=6, warnings=()) -> ClipInfo:
    return ClipInfo(
        Path(path), size_px, 0, "h264", "yuv420p", 8, "bt709", False, Fraction(1, 60), 60.0,
        np.arange(n) / 60.0, False, tuple(warnings),
    )  # fmt: skip


@pytest.fixture
def made() -> SimpleNamespace:
    """Builders of nouns: `made.contact(...)` and so on."""
    return SimpleNamespace(
        contact=make_contact, detections=make_detections, arc=make_arc, flights=make_flights,
        camera=make_camera, clip_camera=make_clip_camera, info=make_info, size_px=SIZE_PX,
    )  # fmt: skip


@pytest.fixture(scope="module")
def browser():
    """Chromium; never skipped, as what a person sees is to be tested where all is tested."""
    # not longer: its event loop runs in this thread, where other tests want their own
    from playwright.sync_api import sync_playwright

    path = next(filter(None, map(shutil.which, CHROMIUM)), None)
    assert path, "these tests need Chromium; install it: apt-get install chromium"
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield chromium
        chromium.close()
