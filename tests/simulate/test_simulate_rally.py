"""Games obey the physics and the rules that they claim."""

import math
from itertools import pairwise

import numpy as np
import pytest

from halfvolley.physics.kernels import fly
from halfvolley.simulate import BallPhysics, Hall, RallySettings, kernels, play_game
from halfvolley.simulate.path import FLIGHT, HAND, ROLLING, STATES
from halfvolley.simulate.rally import Leg, Recorder, _play_point, make_arena
from halfvolley.simulate.variants import FIVE_MARKS_M, drop_game, marks_game

HALF_X, HALF_Y, FLOOR_Z = 1.37, 0.7625, -0.76


@pytest.fixture(scope="module")
def games():
    physics = BallPhysics(cd_spin=0.1, mu=0.28)
    return [
        play_game(physics, Hall(), np.random.default_rng(seed), 12.0, RallySettings(rare_share=0.5))
        for seed in range(5)
    ]


def energy(v, w, z, physics):
    m, r = physics.mass_kg, physics.radius_m
    return 0.5 * m * v @ v + 0.5 * (2 / 3) * m * r * r * w @ w + m * physics.gravity_mps2 * z


@pytest.mark.parametrize(("linear", "lift"), [(False, 0.9), (True, 0.45)])
def test_flight_agrees_with_the_other_integrator(linear, lift):
    physics = BallPhysics(cd_spin=0.0, linear_lift=linear, lift=lift)
    world = make_arena(physics, Hall(half_x_m=90, half_y_m=90, ceiling_z_m=90, surround=None))
    start = np.array([0.1, 0.2, 3.0, 12.0, -1.0, 3.0, 40.0, 350.0, -120.0])
    nodes = np.empty((2000, 10))
    n, code = kernels.fly_until(
        start, world.coef, world.arena, world.radius, 0.5, nodes, np.zeros(3)
    )
    assert code == kernels.FREE
    assert nodes[n - 1, 0] == pytest.approx(0.5)
    area = math.pi * physics.radius_m**2
    other = fly(
        start[:3], start[3:6], start[6:], physics.gravity_mps2,
        physics.air_kgpm3 * area / (2 * physics.mass_kg), physics.cd, lift,
        1.0 / physics.decay_tau_s, physics.radius_m, 0.0 if linear else 2.0, np.array([0.5]),
    )[0]  # fmt: skip
    # across w the two ways to write CL agree; the 1e-4 m leaves room for step sizes only
    assert np.abs(nodes[n - 1, 1:4] - other[:3]).max() < 1e-4
    assert np.abs(nodes[n - 1, 1:4] - (start[:3] + 0.5 * start[3:6])).max() > 0.1


def test_drag_that_grows_with_spin_slows_more():
    ends = []
    for growth in (0.0, 0.3):
        world = make_arena(BallPhysics(cd_spin=growth), Hall(half_x_m=90, surround=None))
        start = np.array([0.0, 0.0, 2.0, 15.0, 0.0, 0.0, 0.0, 600.0, 0.0])
        nodes = np.empty((2000, 10))
        n, _ = kernels.fly_until(start, world.coef, world.arena, 0.02, 0.2, nodes, np.zeros(3))
        ends.append(nodes[n - 1, 1])
    assert ends[1] < ends[0] - 0.05


def test_touches_lie_on_their_surfaces(games):
    seen = set()
    for game in games:
        for e in game.events:
            seen.add(e.kind)
            r = game.radius_m
            assert np.linalg.norm(e.centre_m - e.xyz_m) == pytest.approx(r, abs=1e-6)
            if e.kind == "table":
                assert e.xyz_m[2] == pytest.approx(0.0, abs=1e-6)
                assert abs(e.xyz_m[0]) <= HALF_X
                assert abs(e.xyz_m[1]) <= HALF_Y
            elif e.kind == "floor":
                assert e.xyz_m[2] == pytest.approx(FLOOR_Z, abs=1e-6)
            elif e.kind == "edge":
                out_x, out_y = abs(e.centre_m[0]) > HALF_X, abs(e.centre_m[1]) > HALF_Y
                assert out_x or out_y
                assert e.xyz_m[2] == pytest.approx(0.0, abs=1e-6)
            elif e.kind == "net":
                assert abs(e.xyz_m[0]) < 1e-6
                assert -0.03 <= e.xyz_m[2] <= 0.1525 + 1e-6
    assert {"table", "floor", "racket", "net", "edge", "toss_release"} <= seen


def test_energy_never_rises_but_at_rackets(games):
    physics = BallPhysics(cd_spin=0.1, mu=0.28)
    for game in games:
        for e in game.events:
            if e.kind in ("racket", "toss_release"):
                continue
            before = energy(e.v_before_mps, e.omega_before_radps, e.centre_m[2], physics)
            after = energy(e.v_after_mps, e.omega_after_radps, e.centre_m[2], physics)
            assert after <= before + 1e-12
        for path in game.paths:
            free = path.state == FLIGHT
            e = [
                energy(v, w, x[2], physics)
                for v, w, x in zip(path.v_mps[free], path.omega_radps[free], path.xyz_m[free],
                                   strict=True)
            ]  # fmt: skip
            t = path.t_s[free]
            strikes = {s.t_s for s in game.strokes}
            for a, b, t0, t1 in zip(e[:-1], e[1:], t[:-1], t[1:], strict=True):
                if t0 not in strikes and t1 not in strikes and t1 - t0 < 0.001:
                    assert b <= a + 1e-9


def test_the_path_never_jumps(games):
    for game in games:
        for path in game.paths:
            step = np.linalg.norm(np.diff(path.xyz_m, axis=0), axis=1)
            pace = np.maximum(
                np.linalg.norm(path.v_mps[:-1], axis=1), np.linalg.norm(path.v_mps[1:], axis=1)
            )
            assert np.all(step <= pace * np.diff(path.t_s) * 1.05 + 1e-6)
            # the speed that a path states is the one it moves with
            t = np.linspace(path.t_s[0] + 0.01, path.t_s[-1] - 0.01, 400)
            moved = (path.xyz_at(t + 1e-5) - path.xyz_at(t - 1e-5)) / 2e-5
            off = np.linalg.norm(moved - path.v_at(t), axis=1)
            assert np.median(off) < 1e-3


def test_a_ball_never_sinks_into_the_table(games):
    for game in games:
        for path in game.paths:
            x, y, z = path.xyz_m.T
            over = (np.abs(x) < HALF_X) & (np.abs(y) < HALF_Y) & (z > -0.02)
            assert z[over].min() > game.radius_m - 1e-5
            assert z.min() > FLOOR_Z + game.radius_m - 1e-5


def test_serves_bounce_on_both_sides_and_points_end_as_told(games):
    reasons = set()
    for game in games:
        for rally in game.rallies:
            touches = [e for e in game.events if e.rally == rally.rally]
            assert touches[0].kind == "toss_release"
            assert touches[1].kind == "racket"
            assert touches[1].t_s == rally.t_serve_s
            assert any(e.t_s == pytest.approx(rally.t_end_s, abs=1e-9) for e in touches)
            struck = [e for e in touches if e.kind == "racket"]
            assert len(struck) == rally.n_strokes
            assert all(a.player != b.player for a, b in pairwise(struck))
            reasons.add(rally.reason)
            if rally.n_strokes > 1:
                first = [e for e in touches if e.kind in ("table", "edge")][:2]
                side = -1.0 if rally.server == "A" else 1.0
                assert first[0].xyz_m[0] * side > 0
                assert first[1].xyz_m[0] * side < 0
            release = touches[0]
            top = release.centre_m[2] + release.v_before_mps[2] ** 2 / 2 / 9.81
            assert top - release.centre_m[2] > 0.16  # Law 2.6.2
    assert len(reasons) >= 3


def test_the_first_toss_comes_when_it_was_asked_for():
    settings = RallySettings(first_toss_s=(0.5, 0.6))
    for seed in range(4):
        game = play_game(BallPhysics(), Hall(), np.random.default_rng(seed), 2.0, settings, 10.0)
        assert 10.5 <= game.rallies[0].t_toss_s <= 10.6
        assert game.paths[0].t_s[0] < game.rallies[0].t_toss_s - 0.5


def test_a_seed_is_a_game():
    a, b, c = (play_game(BallPhysics(), Hall(), np.random.default_rng(s), 4.0) for s in (3, 3, 4))
    assert np.array_equal(a.paths[0].xyz_m, b.paths[0].xyz_m)
    assert a.paths[0].xyz_m.shape != c.paths[0].xyz_m.shape


def test_states_follow_each_other(games):
    for game in games:
        for path in game.paths:
            assert set(np.unique(path.state)) <= set(range(len(STATES)))
            assert path.state[0] == HAND
            rolling = path.state == ROLLING
            low = np.minimum(
                np.abs(path.xyz_m[rolling, 2] - game.radius_m),
                np.abs(path.xyz_m[rolling, 2] - FLOOR_Z - game.radius_m),
            )
            assert np.all(low < 1e-3)


def test_a_dropped_ball_rises_as_its_restitution_says():
    physics = BallPhysics(cd=0.0, cd_spin=0.0, e0=0.9, e1=0.0)
    places = np.array([[0.3, 0.2], [-0.9, -0.4]])
    game = drop_game(physics, Hall(), np.random.default_rng(0), places, 0.30)
    first = [e for e in game.events if np.hypot(*(e.xyz_m[:2] - places[0])) < 0.1]
    assert [e.kind for e in first[:3]] == ["table"] * 3
    assert -first[0].v_before_mps[2] == pytest.approx(math.sqrt(2 * 9.81 * 0.30), rel=1e-3)
    assert first[0].v_after_mps[2] / -first[0].v_before_mps[2] == pytest.approx(0.9)
    assert first[2].t_s - first[1].t_s < first[1].t_s - first[0].t_s


def test_a_ball_lies_on_five_marks():
    game = marks_game(BallPhysics(), dwell_s=0.5)
    t = 0.25 + 1.1 * np.arange(5)
    assert np.abs(game.paths[0].xyz_at(t)[:, :2] - FIVE_MARKS_M).max() < 1e-9
    assert np.abs(game.paths[0].xyz_at(t[:-1] + 0.55)[:, :2] - FIVE_MARKS_M[:-1]).max() > 0.1


def test_a_ball_that_leans_on_the_net_ends_the_point(monkeypatch):
    physics = BallPhysics()
    world = make_arena(physics, Hall())
    state = np.array([0.0201, 0.1, 0.05, *np.zeros(6)])
    touch = Leg(
        np.column_stack([[0.0, 1e-12], np.stack([state, state])]), kernels.NET,
        np.array([1.0, 0.0, 0.0]), state,
    )  # fmt: skip
    monkeypatch.setattr("halfvolley.simulate.rally.fly_leg", lambda *args: touch)
    rec = Recorder(world.radius)
    rng = np.random.default_rng(0)
    *_, winner, reason = _play_point(rec, world, 0.0, state, -1.0, 0, RallySettings(), rng)
    assert (winner, reason) == ("B", "net")
