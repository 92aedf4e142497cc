"""What counts as found, false and inside, on truths written by hand."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import scoring
from scoring import Claims, Lens, match_bounces, read_truth, score

RATE = 50.0
K = np.array([[290.0, 0, 161.0], [0, 289.0, 88.0], [0, 0, 1]])
BENT = np.array([-0.12, 0.03])


def looking_from(centre_m):
    """A camera that looks at the middle of the table."""
    ahead = -np.asarray(centre_m, float) / np.linalg.norm(centre_m)
    right = np.cross(ahead, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(ahead, right), ahead])
    return Lens(K, BENT, R, -R @ centre_m)


LENS = looking_from(np.array([0.5, -3.9, 1.4]))
MARKS = {
    "corner_A_right": [-1.37, -0.7625, 0.0],
    "corner_A_left": [-1.37, 0.7625, 0.0],
    "corner_B_right": [1.37, 0.7625, 0.0],
    "corner_B_left": [1.37, -0.7625, 0.0],
    "post_plus_y": [0.0, 0.915, 0.1525],
    "post_minus_y": [0.0, -0.915, 0.1525],
}


def touch(kind, t_s, x_m, y_m, rally=0, **said):
    return {
        "type": kind, "t": 5.0 + t_s, "pts_t": t_s, "in_clip": True, "xyz": [x_m, y_m, 0.0],
        "rally": rally, **said,
    }  # fmt: skip


def stroke(t_s, player, vel, spin):
    return {
        "pts_t": t_s, "player": player, "speed": float(np.linalg.norm(vel)), "vel": vel,
        "spin": spin,
    }  # fmt: skip


BOUNCES = [(0.5, -0.9, 0.2), (0.9, 0.8, -0.3), (1.4, 1.1, 0.4), (2.0, -0.6, -0.5)]


def document(events=None, strokes=(), seconds=3.0, hidden_s=(), fps=RATE):
    """Rally 0 from 0.2 s to 2.5 s on the clip's clock; world time is 5 s later."""
    if events is None:
        events = [touch("table", *b) for b in BOUNCES]
    t = np.arange(int(seconds * fps)) / fps
    hidden = [any(a <= x <= b for a, b in hidden_s) for x in t]
    uv = LENS.project(np.array(list(MARKS.values())))
    return {
        "format": "footage-truth-1",
        "clip": {"name": "made", "nominal_fps": fps, "pts": t.tolist()},
        "camera": {
            "fx": K[0, 0], "fy": K[1, 1], "cx": K[0, 2], "cy": K[1, 2], "k1": BENT[0],
            "k2": BENT[1], "R": LENS.R.tolist(), "t": LENS.t.tolist(), "readout_s": 0.01,
            "exposure_s": 0.002,
        },
        "landmarks_first_frame": {
            name: {"xyz": xyz, "uv": p.tolist()}
            for (name, xyz), p in zip(MARKS.items(), uv, strict=True)
        },
        "frames": [
            {"t_world": 5.0 + x, "ball": {"visible": 0.1 if h else 1.0, "contrast": 80}}
            for x, h in zip(t, hidden, strict=True)
        ],
        "events": events,
        "strokes": list(strokes),
        "rallies": [{"id": 0, "t_serve": 5.2, "t_end": 7.5}],
    }  # fmt: skip


@pytest.fixture
def truth_of(tmp_path):
    """A truth as read from its file."""

    def write(**said):
        path = tmp_path / "made.json"
        path.write_text(json.dumps(document(**said)))
        return read_truth(path)

    return write


def claims(bounces=BOUNCES, lens=LENS, sd_m=0.01, **said):
    t, x, y = np.array(bounces, float).reshape(-1, 3).T
    n = len(t)
    values = {
        "t_s": t, "t_sd_s": np.full(n, 1e-3), "xy_m": np.column_stack([x, y]),
        "cov_m2": np.tile(sd_m**2 * np.eye(2), (n, 1, 1)), "stroke_t_s": np.zeros(0),
        "stroke_speed_mps": np.zeros(0), "stroke_topspin_revps": np.zeros(0), "stroke_player": (),
        "lens": lens, "readout_s": 0.01, "exposure_s": 0.002,
    }  # fmt: skip
    return Claims(**(values | said))


def test_the_truth_itself_is_right_in_every_way(truth_of):
    s = score(truth_of(), claims())
    assert (s.bounces.n_must, s.bounces.n_found, s.bounces.n_false) == (4, 4, 0)
    assert s.bounces.distance_mm == pytest.approx(np.zeros(4), abs=1e-9)
    assert s.late_s == pytest.approx(np.zeros(4))
    # uv came through json at full precision
    assert s.corners_px.max() < 1e-6 and s.posts_px.max() < 1e-6
    assert s.table_mm.max() < 1e-6


@pytest.mark.parametrize(
    ("late_s", "off_m", "found"),
    [(0.049, 0.0, 4), (0.051, 0.0, 3), (0.0, 0.39, 4), (0.0, 0.41, 3), (-0.049, -0.39, 4)],
)
def test_a_bounce_is_the_same_within_50_ms_and_40_cm(truth_of, late_s, off_m, found):
    t, x, y = BOUNCES[1]
    m = match_bounces(*split([BOUNCES[0], (t + late_s, x, y + off_m), *BOUNCES[2:]]), truth_of())
    assert (m.n_found, m.n_false) == (found, 4 - found)


def split(bounces):
    a = np.array(bounces, float)
    return a[:, 0], a[:, 1:]


def test_two_claims_of_one_bounce_make_one_false(truth_of):
    twice = [*BOUNCES, (BOUNCES[0][0] + 0.01, *BOUNCES[0][1:])]
    m = match_bounces(*split(twice), truth_of())
    assert (m.n_found, m.n_false, m.n_claimed) == (4, 1, 5)
    assert m.distance_mm == pytest.approx(np.zeros(4), abs=1e-9)


def test_no_claim_at_all(truth_of):
    s = score(truth_of(), claims([]))
    assert (s.bounces.n_found, s.bounces.n_false) == (0, 0)
    assert len(s.mahalanobis2) == 0


def test_what_may_be_found_neither_helps_nor_hurts(truth_of):
    extra = [
        touch("table", 2.7, 0.3, 0.3),  # after the rally
        touch("edge", 2.3, 1.37, 0.1),  # never asked for
        touch("table", 1.7, 0.2, 0.1, rally=None),
        touch("table", 2.2, 0.7, 0.5, in_clip=False),
    ]
    truth = truth_of(events=[*(touch("table", *b) for b in BOUNCES), *extra])
    assert len(truth.must_t_s) == 4 and len(truth.may_t_s) == 3
    m = match_bounces(*split([*BOUNCES, (2.7, 0.3, 0.3), (2.3, 1.37, 0.1)]), truth)
    assert (m.n_found, m.n_false) == (4, 0)
    # the one that is not in the clip is no bounce of it
    assert match_bounces(*split([*BOUNCES, (2.2, 0.7, 0.5)]), truth).n_false == 1


def test_a_hidden_ball_need_not_be_found(truth_of):
    # of the six frames from 1.34 to 1.44 s four show no ball
    truth = truth_of(hidden_s=[(1.33, 1.41)])
    assert len(truth.must_t_s) == 3 and truth.may_t_s == pytest.approx([1.4])
    # three of six are enough
    assert len(truth_of(hidden_s=[(1.33, 1.39)]).must_t_s) == 4


def test_a_ball_that_hardly_shows_need_not_be_found(tmp_path):
    faint = document()
    for frame in faint["frames"]:
        frame["ball"]["contrast"] = 9
    path = tmp_path / "faint.json"
    path.write_text(json.dumps(faint))
    assert len(read_truth(path).must_t_s) == 0


def test_the_half_turn_that_fits_is_taken(truth_of):
    strokes = [stroke(0.3, "A", [6.0, 0.0, 1.0], [0.0, 30.0, 0.0])]
    said = {
        "stroke_t_s": np.array([0.31]), "stroke_speed_mps": np.array([6.0]),
        "stroke_topspin_revps": np.array([30.0]),
    }  # fmt: skip
    around = [(t, -x, -y) for t, x, y in BOUNCES]
    truth = truth_of(strokes=strokes)
    s = score(truth, claims(around, LENS.turned(), stroke_player=("B",), **said))
    assert s.bounces.turned and s.bounces.n_found == 4 and s.bounces.n_false == 0
    assert s.corners_px.max() < 1e-6 and s.posts_px.max() < 1e-6
    assert s.player_right.tolist() == [True]
    same = score(truth, claims(BOUNCES, LENS, stroke_player=("B",), **said))
    assert not same.bounces.turned and same.player_right.tolist() == [False]
    # a rival that knows the corners has no such freedom
    assert match_bounces(*split(around), truth, may_turn=False).n_found == 0


def test_the_ellipse_is_the_claimed_one(truth_of):
    off = [(t, x + 0.02, y) for t, x, y in BOUNCES]
    cov = np.tile(np.diag([0.01**2, 0.005**2]), (4, 1, 1))
    s = score(truth_of(), claims(off, cov_m2=cov))
    assert s.mahalanobis2 == pytest.approx(np.full(4, 4.0))
    assert s.claimed_sd_mm == pytest.approx(np.full(4, np.hypot(10, 5)))
    tilted = cov + np.array([[0, 4e-5], [4e-5, 0]])
    assert not np.allclose(score(truth_of(), claims(off, cov_m2=tilted)).mahalanobis2, 4.0)
    missing = cov.copy()
    missing[1] = np.nan
    missing[2] = -missing[2]
    q = score(truth_of(), claims(off, cov_m2=missing)).mahalanobis2
    assert np.isinf(q[[1, 2]]).all() and np.isfinite(q[[0, 3]]).all()


def test_strokes_are_found_once_and_judged(truth_of):
    strokes = [
        stroke(0.3, "A", [6.0, 0.0, 2.0], [0.0, 30.0, 5.0]),  # topspin of 30 rev/s
        stroke(1.1, "B", [-3.0, 4.0, 0.0], [4.0, 3.0, 0.0]),  # -(3*3) - 4*4 over 5: backspin of 5
        stroke(5.0, "A", [6.0, 0.0, 0.0], [0.0, 0.0, 0.0]),  # after the last frame
    ]
    truth = truth_of(strokes=strokes)
    assert truth.strokes.topspin_revps == pytest.approx([30.0, -5.0])
    said = claims(
        stroke_t_s=np.array([0.33, 0.29, 1.17]),
        stroke_speed_mps=np.array([9.0, 1.1 * np.sqrt(40), 5.0]),
        stroke_topspin_revps=np.array([0.0, 28.0, -5.0]),
        stroke_player=("B", "A", "B"),
    )
    s = score(truth, said)
    assert (s.n_strokes, s.n_strokes_found, s.n_strokes_false) == (2, 1, 2)
    assert s.speed_off == pytest.approx([0.1]) and s.topspin_off_revps == pytest.approx([-2.0])
    assert s.player_right.tolist() == [True]
    unknown = replace(said, stroke_speed_mps=np.full(3, np.nan))
    assert len(score(truth, unknown).speed_off) == 0


def test_projection_is_that_of_the_outside_and_undone():
    # OpenCV as authority for the projection; back to the table to a hundredth of a millimetre
    xyz = np.array([[0.3, -0.2, 0.0], [-1.37, 0.7625, 0.0], [1.2, 0.5, 0.0]])
    uv, _ = cv2.projectPoints(
        xyz.reshape(-1, 1, 3), cv2.Rodrigues(LENS.R)[0], LENS.t, K, np.array([*BENT, 0, 0])
    )
    assert LENS.project(xyz) == pytest.approx(np.asarray(uv).reshape(-1, 2))
    assert LENS.on_table(LENS.project(xyz)) == pytest.approx(xyz[:, :2], abs=1e-5)
    straight = Lens(K, np.zeros(2), LENS.R, LENS.t)
    assert np.abs(straight.on_table(LENS.project(xyz)) - xyz[:, :2]).max() > 2e-3


def test_a_camera_that_stands_beside_shows_in_mm(truth_of):
    # the whole picture moved by 25 mm along x: every place lies so far off
    shifted = Lens(K, BENT, LENS.R, LENS.t + LENS.R @ [0.025, 0.0, 0.0])
    s = score(truth_of(), claims(lens=shifted))
    assert s.table_mm == pytest.approx(np.full(45, 25.0), abs=1e-3)
    assert s.corners_px.min() > 1.0


@pytest.mark.parametrize(
    ("centre_m", "fps", "kind"),
    [
        ((0.5, -4.0, 1.0), 60, "side"),
        ((-1.2, 4.2, 1.0), 60, "side"),
        ((-3.0, -3.0, 1.5), 60, "corner"),
        ((5.5, 0.7, 2.0), 60, "end"),
        ((5.5, 0.7, 2.0), 30, "webcam"),
    ],
)
def test_views_are_told_by_where_the_camera_stands(centre_m, fps, kind):
    assert scoring.kind_of_view(looking_from(np.array(centre_m)), fps) == kind


def test_another_format_is_refused(tmp_path):
    path = tmp_path / "other.json"
    path.write_text(json.dumps({"format": "something else"}))
    with pytest.raises(ValueError, match="footage-truth-1"):
        read_truth(path)
