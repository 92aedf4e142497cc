"""How many touches lie where: two near to each other, two in one gap, one bounce that is seen once.

Paths are exact and by the laws.
"""

import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from halfvolley.flight import FlightSettings, extend, find_flights
from halfvolley.flight.chains import Chain, _bounced_once
from halfvolley.flight.junctions import judge
from halfvolley.flight.pieces import Piece, find_pieces, fit_pieces
from halfvolley.flight.sights import Sights, sights
from halfvolley.track import find_tracks
from halfvolley.types import Contact, Flights

sys.path.insert(0, str(Path(__file__).parent))
import made_play as mp
from made_play import measured

S = FlightSettings()


def near(
    flights: Flights, touch: mp.Touch, kind: str, least: float = 0.5, within_m: float = 0.1
) -> list[Contact]:
    return [
        c for c in flights.contacts
        if c.kind == kind and c.probability >= least and abs(c.t_s - touch.t_s) < 0.02
        and np.linalg.norm(c.xyz_m - touch.xyz_m) < within_m
    ]  # fmt: skip


# --- a bounce right behind the net --------------------------------------------------------------
def fallen_back(seed: int) -> tuple[mp.Scene, mp.Touch, mp.Touch]:
    """A ball that falls from the net and bounces within 0.03 to 0.1 s; net and bounce."""
    rng = np.random.default_rng([seed, 501])
    while True:
        path = mp.rally(rng, mp.Nature.draw(rng), strokes=3, finish="net")
        net, *after = [t for t in path.touches if t.t_s >= path.of_kind("net")[0].t_s]
        if after and 0.03 < after[0].t_s - net.t_s < 0.1:
            return mp.scene(rng, "side", path=path), net, after[0]


def bounces_behind_the_net(tried: int) -> int:
    found = 0
    for seed in range(tried):
        scene, _, bounce = fallen_back(seed)
        found += bool(near(measured(scene), bounce, "table"))
    return found


def test_a_bounce_right_behind_the_net_is_found():
    assert bounces_behind_the_net(12) >= 9


# --- a stroke and a bounce in one gap -----------------------------------------------------------
def serve_at_the_end(seed: int, view: str) -> tuple[mp.Scene, mp.Touch, mp.Touch]:
    """A clip that ends 0.17 s after the first bounce of a serve; nothing seen from the stroke on to
    that bounce."""
    rng = np.random.default_rng([seed, 503])
    path = mp.rally(rng, mp.Nature.draw(rng))
    stroke, bounce = path.touches[:2]
    hidden = ((stroke.t_s - 0.005, bounce.t_s + 0.005), (bounce.t_s + 0.17, 1e9))
    return mp.scene(rng, view, mp.Footage(hidden_s=hidden), path=path), stroke, bounce


def serves_found(tried: int, view: str) -> tuple[int, int]:
    """How often both touches were found, and how often the bounce within its 99.9 % ellipse.

    Nothing tells the depth of so short a flight but the toss: a bounce known to less than 0.2 m
    keeps half its probability.
    """
    found = honest = 0
    for seed in range(tried):
        scene, stroke, bounce = serve_at_the_end(seed, view)
        flights = measured(scene)
        bounces = near(flights, bounce, "table", 0.4, 0.3)
        if bounces and near(flights, stroke, "racket"):
            found += 1
            off = (bounces[0].xyz_m - bounce.xyz_m)[:2]
            honest += off @ np.linalg.solve(bounces[0].cov_xyz_m2[:2, :2], off) < 13.8
    return found, honest


def test_a_stroke_and_a_bounce_between_the_last_toss_and_a_short_flight_are_found():
    found, honest = serves_found(10, "side")
    assert found >= 7
    assert honest >= found - 1


def test_without_two_touches_in_a_gap_they_are_not(monkeypatch):
    monkeypatch.setattr(extend, "stroke_and_bounce", lambda *_: None)
    assert serves_found(10, "side")[0] <= 3


# --- one bounce is one --------------------------------------------------------------------------
def piece_of(rows, seen: Sights, f_px: float) -> Piece:
    (piece,) = fit_pieces([np.asarray(rows)], seen, f_px, replace(S, piece_excess=100.0))
    assert piece is not None
    return piece


def test_a_few_sightings_about_a_bounce_are_no_flight_between_two():
    merged = 0
    for seed in range(6):
        rng = np.random.default_rng([seed, 505])
        scene = mp.scene(rng, "side", mp.Footage(clutter=0.0, miss=0.0))
        seen = sights(scene.detections, scene.camera, scene.camera.shutter, S.model_floor_px)
        f_px = scene.camera.camera.f_px
        touch = scene.path.of_kind("table")[1]
        k = int(np.searchsorted(seen.t_s, touch.t_s))
        a, c = piece_of(range(k - 9, k), seen, f_px), piece_of(range(k, k + 7), seen, f_px)
        about = piece_of(range(k - 1, k + 2), seen, f_px)
        junctions = (judge(a, about, seen, S), judge(about, c, seen, S))
        chain = _bounced_once(Chain((a, about, c), junctions), seen, S)
        if [j.kind for j in junctions] == ["table", "table"]:
            merged += 1
            assert chain.pieces == (a, c)
            assert [j.kind for j in chain.junctions] == ["table"]
            assert abs(chain.junctions[0].t_s - touch.t_s) < 0.02
    assert merged >= 2


def test_hops_that_a_ball_can_make_stay():
    """The bounces of a serve lie some tenths of a second apart: both are kept."""
    rng = np.random.default_rng(507)
    scene = mp.scene(rng, "side", mp.Footage(clutter=0.0, miss=0.0))
    seen = sights(scene.detections, scene.camera, scene.camera.shutter, S.model_floor_px)
    one, two = (int(np.searchsorted(seen.t_s, t.t_s)) for t in scene.path.of_kind("table")[:2])
    begin = int(np.searchsorted(seen.t_s, scene.path.of_kind("racket")[0].t_s))
    f_px = scene.camera.camera.f_px
    pieces = tuple(
        piece_of(rows, seen, f_px)
        for rows in (range(begin, one), range(one, two), range(two, two + 7))
    )
    junctions = tuple(judge(pieces[i], pieces[i + 1], seen, S) for i in range(2))
    assert [j.kind for j in junctions] == ["table", "table"]
    assert _bounced_once(Chain(pieces, junctions), seen, S).pieces == pieces


# --- seen from an end ---------------------------------------------------------------------------
def end_scene(seed: int) -> tuple[mp.Scene, Sights]:
    rng = np.random.default_rng([seed, 509])
    scene = mp.scene(rng, "end", mp.Footage(clutter=0.0), strokes=5)
    return scene, sights(scene.detections, scene.camera, scene.camera.shutter, S.model_floor_px)


def bounces_told(tried: int) -> tuple[int, int]:
    """Of bounces between two flights of at least six sightings, judged to be bounces; and all."""
    told = asked = 0
    for seed in range(tried):
        scene, seen = end_scene(seed)
        f_px = scene.camera.camera.f_px
        edges = [*scene.path.starts_s, scene.path.end_s]
        on = [np.flatnonzero((seen.t_s > a) & (seen.t_s < b))
              for a, b in pairwise(edges)]  # fmt: skip
        fits = fit_pieces(on, seen, f_px, S)
        for i, touch in enumerate(scene.path.touches):
            a, b = fits[i], fits[i + 1]
            if touch.kind == "table" and a and b and min(len(on[i]), len(on[i + 1])) >= 6:
                asked += 1
                told += judge(a, b, seen, S).kind == "table"
    return told, asked


def test_a_bounce_seen_from_an_end_is_told_also_where_a_short_flight_seems_to_come_back():
    told, asked = bounces_told(12)
    assert asked >= 50
    assert told >= 0.93 * asked


def test_a_stroke_that_one_flight_hides_is_offered_as_two():
    """Seen end-on, forth and back fit one flight; both parts are rivals of it."""
    hidden = offered = 0
    for seed in range(12):
        scene, seen = end_scene(seed)
        size = scene.camera.camera.size_px[0]
        tracks = find_tracks(scene.detections, size)
        pieces = find_pieces(tracks.members, seen, scene.camera.camera.f_px, S)
        for touch in scene.path.of_kind("racket")[1:]:
            over = [p for p in pieces if p.t0_s + 0.08 < touch.t_s < p.t1_s - 0.08]
            if not over:
                continue
            hidden += 1
            offered += any(abs(p.t1_s - touch.t_s) < 0.035 and len(p.rows) >= 4 for p in pieces)
    assert hidden >= 5
    assert offered >= 0.8 * hidden


def test_a_hand_bounces_nowhere():
    rng = np.random.default_rng(511)
    frame = np.arange(200)
    t = frame / 60.0
    hand = np.column_stack([700 + 160 * np.sin(6 * t), 500 + 130 * np.cos(4.3 * t)])
    camera = mp.calibrated(mp.random_camera(rng, "side"))
    seen = mp.moving(frame, t, hand, rng, 8.0, 0.8, 0.6)
    flights = find_flights(
        find_tracks(seen, camera.size_px[0]), mp.clip_camera(camera, mp.Footage().shutter())
    )
    assert not [c for c in flights.contacts if c.kind == "table" and c.probability >= 0.5]


# --- a ball that comes to rest ------------------------------------------------------------------
def coming_to_rest(seed: int) -> mp.Scene:
    """Lower and lower hops across the table."""
    rng = np.random.default_rng([seed, 71])
    nature, way = mp.Nature.draw(rng), rng.choice([-1.0, 1.0])
    start = [-0.6 * way, rng.uniform(-0.3, 0.3), mp.R]
    v = [way * rng.uniform(0.7, 1.1), rng.uniform(-0.2, 0.2), rng.uniform(1.2, 1.6)]
    w = mp._Writer(nature, 12.3, np.array([*start, *v, 0.0, 0.0, 0.0]), rng)
    while abs(w.state[0]) < 1.2 and w.state[5] > 0.35:
        w.bounce()
    return mp.scene(rng, "side", path=w.done(0.05))


def test_no_bounce_leaves_the_table_faster_than_it_came():
    """Two hops in which the touch between was missed look like one that does."""
    any_gain = replace(S, faster_mps=np.inf)
    gained = {settings: 0 for settings in (S, any_gain)}
    for seed in (2, 13):
        scene = coming_to_rest(seed)
        tracks = find_tracks(scene.detections, scene.camera.camera.size_px[0])
        for settings in gained:
            gained[settings] += sum(
                c.kind == "table" and c.probability >= 0.5 and c.v_in_mps[2] + c.v_out_mps[2] > 0.03
                for c in find_flights(tracks, scene.camera, settings).contacts
            )
    assert gained[any_gain] >= 2
    assert gained[S] == 0
