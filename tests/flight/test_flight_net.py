"""Touches of the net: told from others, and what the height of its cord says of the depth.

Paths are exact and by the laws, but for what the cord does to a ball: it takes speed and pushes up.
"""

import sys
from pathlib import Path

import numpy as np
import pytest

from halfvolley.constants import BALL_RADIUS_M
from halfvolley.flight import course
from halfvolley.flight.junctions import place_cost
from halfvolley.flight.normal import CORD_M, NET_TOP_M, _at_net
from halfvolley.types import Contact, Flights

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp
from made_play import measured

R = BALL_RADIUS_M.value


def over_the_cord(seed: int) -> tuple[mp.Scene, mp.Touch]:
    """A rally whose last ball brushes the cord and goes on, and that touch."""
    rng = np.random.default_rng([seed, 601])
    nature = mp.Nature.draw(rng)
    while True:
        path = _clipped(mp.rally(rng, nature, strokes=3, finish="cut"), rng)
        if path is not None:
            return mp.scene(rng, "side", path=path), path.of_kind("net")[0]


def _clipped(path: mp.Path, rng: np.random.Generator) -> mp.Path | None:
    """The path with its last stroke aimed at the cord, a bounce beyond it, and a stroke back."""
    at = max(i for i, touch in enumerate(path.touches) if touch.kind == "racket")
    start, nature = path.touches[at].xyz_m, path.nature
    cord = np.array([0.0, rng.uniform(-0.5, 0.5), mp.NET_Z + rng.uniform(0.2, 1.0) * R])
    span = abs(start[0]) / rng.uniform(6.0, 10.0)
    spin = mp.spin_of(cord - start, rng.normal(30.0, 20.0), 0.0)
    state = mp.aimed(nature, start, cord, span, spin)
    if state is None:
        return None
    w = mp._Writer(nature, float(path.starts_s[at]), path.states[at], rng)
    w.touch("racket", path.touches[at].t_s - w.t_s, state)

    def brushed(before):
        after = before.copy()
        after[3:5] *= rng.uniform(0.5, 0.85)
        after[5] = rng.uniform(-0.3, 1.2)
        after[6:] *= rng.uniform(0.3, 0.8)
        return after

    w.touch("net", span, brushed)
    _, down = w.fall(R)
    if abs(down[0]) > 1.2 or abs(down[1]) > 0.65:
        return None
    w.bounce()
    struck = nature.fly(w.state, np.array([0.2]))[0]
    if not 0.9 < abs(struck[0]) < 2.5 or struck[2] < 0.05:
        return None
    w.touch("racket", 0.2, mp._stroke(nature, struck[:3], rng))
    w.bounce()
    return w.done(0.15)


def told(flights: Flights, touch: mp.Touch) -> list[Contact]:
    return [
        c for c in flights.contacts
        if c.kind == "net" and c.probability >= 0.5 and abs(c.t_s - touch.t_s) < 0.01
        and np.linalg.norm(c.xyz_m - touch.xyz_m) < 0.1
    ]  # fmt: skip


def without_the_net(monkeypatch) -> None:
    """Contacts that are asked again may be of any kind but this."""

    def cost(kind, x):
        return 1e3 if kind == "net" else place_cost(kind, x)

    monkeypatch.setattr(course, "place_cost", cost)


TRIED = 10


def test_a_ball_that_brushes_the_cord_touched_the_net():
    found = [told(measured(scene), touch) for scene, touch in map(over_the_cord, range(TRIED))]
    assert sum(map(bool, found)) >= TRIED - 1


def test_without_the_net_among_the_kinds_that_are_asked_it_is_something_else(monkeypatch):
    without_the_net(monkeypatch)
    found = [told(measured(scene), touch) for scene, touch in map(over_the_cord, range(TRIED))]
    assert sum(map(bool, found)) <= TRIED // 2


def test_a_ball_that_falls_back_touched_the_net():
    found = 0
    for seed in range(TRIED):
        scene = mp.scene(np.random.default_rng([seed, 603]), "side", strokes=3, finish="net")
        found += bool(told(measured(scene), scene.path.of_kind("net")[0]))
    assert found >= TRIED - 1


# --- what the net asks of a place ---------------------------------------------------------------
def asked(x: float, z: float, v_in: float, v_out: float) -> tuple[float, float]:
    """Residuals along the table and in height, in standard deviations."""
    end, after = np.zeros(9), np.zeros(9)
    end[[0, 2, 3]] = x, z, v_in
    after[[0, 2, 3]] = x, z, v_out
    _, r = _at_net(end, after, np.zeros((9, 28)))
    return float(r[0]), float(r[1])


@pytest.mark.parametrize("way", [-1.0, 1.0])
def test_a_ball_that_goes_on_was_on_the_cord(way):
    assert asked(0.0, CORD_M, 8.0 * way, 6.0 * way) == pytest.approx((0.0, 0.0))
    for z in (CORD_M - 0.1, CORD_M + 0.1):
        assert abs(asked(0.0, z, 8.0 * way, 6.0 * way)[1]) > 5.0


@pytest.mark.parametrize("way", [-1.0, 1.0])
def test_one_that_was_stopped_was_no_higher_than_the_cord(way):
    for z in (R, 0.1, NET_TOP_M - 1e-6):
        assert asked(0.0, z, 8.0 * way, -0.5 * way)[1] == 0.0
    assert asked(0.0, NET_TOP_M + 0.1, 8.0 * way, -0.5 * way)[1] > 5.0


def test_the_slope_of_what_the_net_asks_is_that_of_its_residuals():
    end, after = np.zeros(9), np.zeros(9)
    end[[3, 4]], after[[0, 2, 3, 4]] = (8.0, -2.0), (0.01, 0.2, 6.0, 0.5)
    d_end = np.zeros((9, 28))
    d_end[4, 4] = 1.0
    J, r = _at_net(end, after, d_end)
    for i, column in ((0, 13), (2, 15), (4, 17)):
        moved = after.copy()
        moved[i] += 1e-4
        assert J[:, column] == pytest.approx((_at_net(end, moved, d_end)[1] - r) / 1e-4)
    assert not np.delete(J, [4, 13, 15, 17], axis=1).any()


def test_the_net_gives_no_speed_across_the_table():
    def across(before, after):
        end, then = np.zeros(9), np.zeros(9)
        end[[3, 4]], then[[2, 4]] = (8.0, before), (0.1, after)
        return abs(float(_at_net(end, then, np.zeros((9, 28)))[1][2]))

    for before in (-2.0, 0.0, 2.0):
        assert across(before, 0.7 * before) == pytest.approx(0.0)
        assert across(before, before) < 1.0
        assert across(before, -3.0 * (before or 1.0)) > 2.5


# --- what the cord says of the depth ------------------------------------------------------------
def test_the_cord_makes_the_depth_of_what_touched_it_known(monkeypatch):
    """From the side a free touch is known only along the line of sight."""
    sds = []
    for ask in (lambda _: None, without_the_net):
        ask(monkeypatch)
        across = []
        for scene, touch in map(over_the_cord, range(4)):
            at = [c for c in measured(scene).contacts if abs(c.t_s - touch.t_s) < 0.01]
            across += [float(np.sqrt(c.cov_xyz_m2[1, 1])) for c in at]
        sds.append(np.median(across))
    assert len(across) >= 3
    assert sds[0] < sds[1]
