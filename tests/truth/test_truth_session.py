"""From a video file on disk to tables, map and page: the whole job on a made clip with truth.

One clip is measured once; the tests look at what came of it. The hall, camera and game are drawn
from a seed; a clip this short only shows that nothing is grossly wrong, benchmarks/ say how good.
"""

import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

import halfvolley as hv
from halfvolley.session.demo import compare_with_truth, comparison_words, demo_session
from halfvolley.session.edit import set_clip
from halfvolley.session.schema import read_session

ROOT = Path(__file__).parents[2]
SEED, DURATION_S = 1, 3.0


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole") / "demo"
    demo_session(folder, seed=SEED, duration_s=DURATION_S)
    clip = folder / "demo.mp4"
    before = hashlib.sha256(clip.read_bytes()).hexdigest()
    result = hv.measure(folder)
    hv.write_report(folder)
    assert hashlib.sha256(clip.read_bytes()).hexdigest() == before, "footage is only read"
    return result


@pytest.fixture
def session(measured, tmp_path):
    """A copy that a test may change."""
    shutil.copytree(measured.folder, tmp_path / "demo")
    return tmp_path / "demo"


@pytest.fixture(scope="module")
def truth(measured):
    return json.loads((measured.folder / "demo.json").read_text())


def test_bounces_are_found_where_they_were(measured):
    comparison = compare_with_truth(measured.folder)
    assert comparison.n_true >= 2
    assert comparison.n_found == comparison.n_true
    assert comparison.n_false == 0
    assert np.median(comparison.error_mm) < 25.0
    assert "within their 95 % ellipse" in comparison_words(comparison)


def test_that_a_wrong_place_would_be_noticed(session):
    """Negative control: the same tables against a truth whose bounces lie 10 cm beside."""
    path = session / "demo.json"
    document = json.loads(path.read_text())
    for event in document["events"]:
        event["xyz"][1] += 0.1
    path.write_text(json.dumps(document))
    comparison = compare_with_truth(session)
    assert np.median(comparison.error_mm) > 75.0
    assert comparison.inside_95 < comparison.n_found


def test_serve_and_strokes(measured, truth):
    (clip,) = hv.read_summary(measured.folder).clips
    inside = [s for s in truth["strokes"] if s["pts_t"] < DURATION_S - 0.2]
    by_time = {s["n"]: s for s in inside}
    turned = clip.rallies[0].server != truth["rallies"][0]["server"]  # ends look alike
    swap = {"A": "B", "B": "A"} if turned else {"A": "A", "B": "B"}
    assert clip.rallies[0].t_start_s == pytest.approx(inside[0]["pts_t"], abs=0.03)
    for stroke in clip.strokes:
        if stroke.number in by_time and stroke.t_s < DURATION_S - 0.2:
            assert swap[stroke.player] == by_time[stroke.number]["player"]
            true = by_time[stroke.number]["speed"]
            assert stroke.speed_mps == pytest.approx(true, rel=0.15)


def test_the_camera_is_that_of_the_truth(measured, truth):
    camera = json.loads((measured.tables / "camera.json").read_text())["clips"]["demo"]
    K, R, t = (np.array(camera[name]) for name in ("K", "R", "t"))
    k1, k2 = camera["distortion"]
    marks = truth["landmarks_first_frame"]
    off = []
    for sign in (1, -1):  # the half turn of the table that fits better
        worst = 0.0
        for name, mark in marks.items():
            if "corner" in name:
                q = R @ (np.array(mark["xyz"]) * [sign, sign, 1]) + t
                x, y = q[:2] / q[2]
                r2 = x * x + y * y
                uv = K[0, 0] * (1 + k1 * r2 + k2 * r2**2) * np.array([x, y]) + K[:2, 2]
                worst = max(worst, float(np.hypot(*(uv - mark["uv"]))))
        off.append(worst)
    assert min(off) < 1.0
    assert max(off) > 50.0, "the other half turn is far away, so the check can fail"


def test_every_table_row_has_a_whole_covariance(measured):
    rows = pq.read_table(measured.tables / "contacts.parquet").to_pylist()
    table = [r for r in rows if r["kind"] == "table"]
    assert table
    for row in table:
        cov = np.array([[row["cov_xx_m2"], row["cov_xy_m2"]], [row["cov_xy_m2"], row["cov_yy_m2"]]])
        assert np.all(np.linalg.eigvalsh(cov) > 0)
        assert row["z_m"] == 0.0
        assert row["side"] == ("A" if row["x_m"] < 0 else "B")


def test_the_report_is_there(measured):
    report = measured.folder / "report"
    html = (report / "report.html").read_text(encoding="utf-8")
    assert "<svg" in html
    assert "data:image/jpeg;base64," in html
    assert "the model of the table drawn over the first frame" in html
    assert (report / "demo-camera.png").stat().st_size > 2000


def test_a_second_run_does_nothing_and_a_mask_reruns_the_scan(session):
    assert hv.measure(session).did == ()
    hidden = ((0.0, 0.0), (1280.0, 0.0), (1280.0, 720.0), (0.0, 720.0))
    set_clip(read_session(session), "demo", masks_px=(hidden,))
    done = hv.measure(session)
    assert [stage for _, stage in done.did] == ["scan", "track", "flight", "match", "tables"]
    (clip,) = hv.read_summary(session).clips
    assert clip.contacts == (), "nothing is looked for where everything is masked"


def test_the_overlay_video_shows_the_clip_with_something_drawn_on_it(session):
    from halfvolley.video import iter_frames, probe

    hv.write_report(session, video=True)
    clip, drawn = probe(session / "demo.mp4"), probe(session / "report" / "demo-overlay.mp4")
    assert drawn.size_px == clip.size_px
    np.testing.assert_allclose(drawn.pts_s, clip.pts_s - clip.pts_s[0], atol=1e-4)
    bounce = next(c for c in hv.read_summary(session).clips[0].contacts if c.kind == "table")
    when = bounce.t_s + 0.1
    one = next(iter_frames(clip, start_s=when)).luma.astype(float)
    two = next(iter_frames(drawn, start_s=when - clip.pts_s[0])).luma.astype(float)
    changed = np.abs(one - two) > 40
    assert 0.001 < changed.mean() < 0.15
    assert "demo-overlay.mp4" in (session / "report" / "report.html").read_text()


def test_a_rally_in_slow_motion_shows_each_of_its_frames_for_longer(session):
    from halfvolley.video import probe

    hv.write_report(session, rallies=[1], slow=3.0)
    clip, drawn = probe(session / "demo.mp4"), probe(session / "report" / "demo-rally-1-slow3.mp4")
    summary = hv.read_summary(session).clips[0]
    times = [c.t_s for c in summary.contacts if c.rally_id == 1]
    start, end = min(times) - 0.8, max(times) + 1.0  # as much is shown before and after
    shown = clip.pts_s[(clip.pts_s >= start) & (clip.pts_s <= end)]
    assert len(drawn.pts_s) == len(shown) >= 30
    np.testing.assert_allclose(np.diff(drawn.pts_s), 3.0 * np.diff(shown), atol=2e-3)


def test_the_example_finds_the_same_bounces(measured):
    clip = measured.folder / "demo.mp4"
    done = subprocess.run(
        [sys.executable, str(ROOT / "examples" / "01_one_clip.py"), str(clip)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    n = done.stdout.count("bounce at")
    assert n == len(hv.read_summary(measured.folder).clips[0].bounces)
