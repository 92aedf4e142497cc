"""Small pictures with a ball painted exactly: area and exposure by samples, in linear light."""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from halfvolley.types import ClipInfo, Frame

WHITE = np.array([0.75, 0.75, 0.75])
ORANGE = np.array([0.85, 0.35, 0.06])
FINE = 6  # samples a side of a pixel, and of the exposure for each two pixels of travel


@dataclass(frozen=True)
class Ball:
    """Where a painted ball is in the middle of the exposure, and how far it goes during it."""

    uv: tuple[float, float]
    radius: float
    streak: tuple[float, float] = (0.0, 0.0)
    colour: np.ndarray = None
    lit_from: tuple[float, float, float] | None = (0.0, -0.8, 0.6)  # None: evenly


def paint_ball(light, ball, blur=0.45):
    """Mix a ball into a picture of linear RGB light, by the area and time that it covers."""
    height, width = light.shape[:2]
    (u, v), (sx, sy), r = ball.uv, ball.streak, ball.radius
    reach = r + 3.0
    x0 = max(int(u - abs(sx) / 2 - reach), 0)
    x1 = min(int(u + abs(sx) / 2 + reach) + 2, width)
    y0 = max(int(v - abs(sy) / 2 - reach), 0)
    y1 = min(int(v + abs(sy) / 2 + reach) + 2, height)
    if x1 <= x0 or y1 <= y0:
        return light
    grid = (np.arange(FINE) + 0.5) / FINE - 0.5
    x = (np.arange(x0, x1)[:, None] + grid).ravel()[None, :]
    y = (np.arange(y0, y1)[:, None] + grid).ravel()[:, None]
    n = max(3, int(np.hypot(sx, sy) * FINE / 2))
    share = np.zeros((y.size, x.size))
    shaded = np.zeros((y.size, x.size))
    for tau in (np.arange(n) + 0.5) / n - 0.5:
        nx, ny = (x - u - tau * sx) / r, (y - v - tau * sy) / r
        inside = nx**2 + ny**2 < 1.0
        shade = np.ones(inside.shape)
        if ball.lit_from is not None:
            nz = np.sqrt(np.maximum(1.0 - nx**2 - ny**2, 0.0))
            to = np.array(ball.lit_from) / np.linalg.norm(ball.lit_from)
            shade = 0.3 + 0.7 * np.maximum(nx * to[0] + ny * to[1] + nz * to[2], 0.0)
        share += inside / n
        shaded += inside * shade / n
    wide = int(3 * blur * FINE) + 1
    kernel = np.exp(-0.5 * (np.arange(-wide, wide + 1) / (blur * FINE)) ** 2)
    kernel /= kernel.sum()

    def averaged(a):
        for axis in (0, 1):
            a = np.apply_along_axis(np.convolve, axis, a, kernel, mode="same")
        return a.reshape(y1 - y0, FINE, x1 - x0, FINE).mean(axis=(1, 3))[..., None]

    share, shaded = averaged(share), averaged(shaded)
    colour = WHITE if ball.colour is None else ball.colour
    out = light.copy()
    out[y0:y1, x0:x1] = (1.0 - share) * light[y0:y1, x0:x1] + shaded * colour
    return out


def to_planes(light, rng=None, luma_noise=1.5, chroma_noise=1.0):
    """8-bit limited-range luma, cb and cr of linear RGB light; chroma in the middle of four."""
    coded = np.sqrt(np.clip(light, 0.0, 1.0))
    luma = coded @ np.array([0.2126, 0.7152, 0.0722])
    cb = (coded[..., 2] - luma) / 1.8556
    cr = (coded[..., 0] - luma) / 1.5748
    planes = [16.0 + 219.0 * luma]
    for c in (cb, cr):
        small = c.reshape(c.shape[0] // 2, 2, c.shape[1] // 2, 2).mean(axis=(1, 3))
        planes.append(128.0 + 224.0 * small)
    if rng is not None:
        planes[0] = planes[0] + rng.normal(0.0, luma_noise, planes[0].shape)
        planes[1:] = [p + rng.normal(0.0, chroma_noise, p.shape) for p in planes[1:]]
    return [np.clip(np.round(p), 0, 255).astype(np.uint8) for p in planes]


def hall(width, height):
    """Linear light of a blue table before a grey wall with lighter stripes."""
    v, u = np.mgrid[0:height, 0:width].astype(float)
    light = np.empty((height, width, 3))
    light[:] = 0.12
    light[(u % 47 < 6) & (v < height / 2)] = 0.25
    light[v > height * 0.55] = (0.03, 0.08, 0.30)
    ripple = 1.0 + 0.1 * np.sin(u / 9.0) * np.cos(v / 7.0)
    return light * ripple[..., None]


def make_frame(index, light, rng=None, rate=60.0, **noise):
    return Frame(index, 5.0 + index / rate, *to_planes(light, rng, **noise))


def make_info(width, height, n, rate=60.0):
    return ClipInfo(
        Path("a.mp4"), (width, height), 0, "h264", "yuv420p", 8, "bt709", False,
        Fraction(1, 90_000), rate, 5.0 + np.arange(n) / rate, False, (),
    )  # fmt: skip


def flight(n, start, step, bend=(0.0, 0.12), radius=5.0, share=0.25, **look):
    """Balls on a parabola, one a frame; `share` of the time between frames is exposed."""
    balls = []
    for i in range(n):
        u = start[0] + step[0] * i + 0.5 * bend[0] * i * i
        v = start[1] + step[1] * i + 0.5 * bend[1] * i * i
        go = (share * (step[0] + bend[0] * i), share * (step[1] + bend[1] * i))
        balls.append(Ball((u, v), radius, go, **look))
    return balls


@pytest.fixture(scope="session")
def paint() -> SimpleNamespace:
    """The painter: `paint.hall(w, h)`, `paint.ball(light, paint.Ball(...))` and so on."""
    return SimpleNamespace(
        Ball=Ball, ball=paint_ball, planes=to_planes, hall=hall, frame=make_frame, info=make_info,
        flight=flight, WHITE=WHITE, ORANGE=ORANGE,
    )  # fmt: skip
