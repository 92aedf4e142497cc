"""The accuracy benchmark: pooling, intervals, the bound, and one small clip through all of it."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import accuracy
import made
import pages
import trial
from bound import Noise, noise_of, true_detections
from plain import PlainBounces
from scoring import Matched

SMALL = made.Wanted(4, 0, seconds=2.4, size_px=(960, 540))


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    """A made clip of two bounces or so, with its truth."""
    return made.make(SMALL, tmp_path_factory.mktemp("clips"))


@pytest.fixture(scope="module")
def sessions(tmp_path_factory):
    return tmp_path_factory.mktemp("sessions")


@pytest.fixture(scope="module")
def tried(clip, sessions):
    return trial.try_clip(clip, sessions)


# --- the made clips ------------------------------------------------------------------------------
def test_five_of_six_clips_are_side_views_and_names_differ():
    wanted = [made.Wanted(7, i) for i in range(36)]
    views = [w.view for w in wanted]
    assert [views.count(v) for v in ("side", "corner", "end", "webcam")] == [30, 2, 2, 2]
    names = {w.name for w in wanted} | {replace(w, seed=8).name for w in wanted}
    assert len(names) == 72
    assert {w.picture for w in wanted if w.view == "webcam"} == {(1280, 720)}


def test_a_clip_that_is_there_is_not_made_again(clip):
    before = clip.stat().st_mtime_ns
    assert made.make(SMALL, clip.parent) == clip
    assert clip.stat().st_mtime_ns == before


# --- one clip through everything -----------------------------------------------------------------
def test_a_small_clip_is_measured_and_judged(tried):
    assert not tried.failed, tried.failed
    assert tried.auto.bounces.n_must >= 1
    assert tried.auto.bounces.n_found + len(tried.lost) == tried.auto.bounces.n_must
    assert 0.0 < tried.detected <= 1.0
    assert tried.auto.bounces.n_found >= 1
    # what is tested here is the benchmark, not the project: only gross errors count
    assert np.median(tried.auto.bounces.distance_mm) < 60.0
    assert tried.given.claims.readout_s == pytest.approx(tried.truth.readout_s)
    assert tried.auto.claims.readout_s != tried.truth.readout_s
    text = accuracy.pooled_table([tried], np.random.default_rng(0))
    assert "| bounces asked for | >= 300 in all | " in text
    assert len(accuracy.single(tried)) == len(accuracy.SINGLE)


def test_the_bound_grows_with_the_noise(tried, sessions):
    from halfvolley import load_clip, read_session

    folder = next(sessions.rglob("session.toml")).parent
    result = load_clip(folder, read_session(folder).clips[0].name)
    fine, coarse = (trial.true_bound(tried.truth, Noise(s, s, 100), result) for s in (0.2, 2.0))
    known = np.isfinite(fine)
    assert known.any()
    assert np.all(coarse[known] > 1.5 * fine[known])
    assert np.all(fine[known] > 1e-4), "nobody can know a bounce to a tenth of a millimetre"


def test_the_noise_that_was_put_in_is_found(tried):
    """Detections at the truth plus known errors along and across the streak."""
    rng = np.random.default_rng(4)
    frames = [f for f in tried.truth.document["frames"] if f["ball"]]
    ideal = true_detections(frames, Noise(2.0, 0.5, 0))
    error = np.array([rng.multivariate_normal([0, 0], c) for c in ideal.cov_uv_px2])

    class Flights:
        detections = replace(ideal, uv_px=ideal.uv_px + error)
        arcs = (type("Arc", (), {"rows": np.arange(len(frames))})(),)

    noise = noise_of(tried.truth, Flights())
    # the median of n absolute values scatters by about 1.2 sigma / sqrt(n)
    assert noise.n > 90
    assert noise.along_px == pytest.approx(2.0, rel=0.3)
    assert noise.across_px == pytest.approx(0.5, rel=0.3)


def test_a_clip_without_a_table_counts_with_all_its_bounces(clip, tried, tmp_path):
    """Refused clips must not make the numbers better."""
    blank = tmp_path / clip.name
    blank_video(blank)
    blank.with_suffix(".json").write_bytes(clip.with_suffix(".json").read_bytes())
    lost = trial.try_clip(blank, tmp_path / "sessions")
    assert "no table" in lost.failed and lost.auto is None
    n = len(tried.truth.must_t_s)
    assert lost.lost == ("no camera",) * n
    alone = accuracy.found_percent([tried])
    assert accuracy.found_percent([tried, lost]) == pytest.approx(alone / 2)
    assert "clip 2: " in accuracy.losses([tried, lost]) and "no table" in accuracy.losses([lost])
    assert accuracy.single(lost)[2] == f"0/{n}"


def blank_video(path):
    from halfvolley.video import VideoWriter

    grey = np.full((180, 320), 90, np.uint8), np.full((90, 160), 128, np.uint8)
    with VideoWriter(path, (320, 180)) as out:
        for k in range(40):
            out.write_planes(grey[0], grey[1], grey[1], k / 60)


# --- pooling and intervals -----------------------------------------------------------------------
def rival(error_m, n_must=8, n_claimed=10):
    """A trial of which only the plain method counts."""
    n = len(error_m)
    m = Matched(n_must, n_claimed, n_claimed - n, np.arange(n), np.arange(n),
                np.column_stack([error_m, np.zeros(n)]), False)  # fmt: skip
    truth = type("T", (), {"must_t_s": np.zeros(n_must)})()
    return trial.Trial(truth, "", 1.0, None, None, np.zeros(0), None, 0.0, (), m, None)


def test_numbers_are_pooled_over_bounces_not_over_clips():
    trials = [rival([0.01] * 6), rival([0.05] * 2)]
    assert accuracy.found_percent(trials, "plain") == pytest.approx(100 * 8 / 16)
    assert accuracy.false_percent(trials, "plain") == pytest.approx(100 * 12 / 20)
    assert accuracy.median(accuracy.off_mm(trials, "plain")) == pytest.approx(10.0)


def test_intervals_draw_whole_clips():
    """Bounces of one clip err alike, so more of them in each clip do not narrow the interval."""
    rng = np.random.default_rng(2)
    of_clip = rng.normal(0.0, 0.02, 20)

    def width(n):
        trials = [rival(np.full(n, e), n, n) for e in of_clip]
        low, high = accuracy.interval(
            lambda ts: float(np.mean(accuracy.off_mm(ts, "plain"))),
            trials,
            np.random.default_rng(0),
        )
        return high - low

    assert width(50) == pytest.approx(width(2), rel=1e-6)
    # the mean of 20 folded normals: 2 * 1.96 * 0.02 * 0.603 / sqrt(20) = 10.6 mm
    assert width(2) == pytest.approx(10.6, rel=0.5)
    same = [rival([0.01] * 4)] * 6
    low, high = accuracy.interval(lambda ts: accuracy.found_percent(ts, "plain"), same, rng)
    assert low == high == pytest.approx(50.0)


def test_a_plain_method_is_not_turned(tried):
    around = PlainBounces(tried.truth.must_t_s, -tried.truth.must_xy_m, np.zeros(0))
    right = PlainBounces(tried.truth.must_t_s, tried.truth.must_xy_m, np.zeros(0))
    assert trial.claimed(right, tried.truth).n_found == len(tried.truth.must_t_s)
    assert trial.claimed(around, tried.truth).n_found < len(tried.truth.must_t_s)


# --- the page ------------------------------------------------------------------------------------
def test_a_part_of_a_page_is_replaced_and_nothing_else(tmp_path):
    page = tmp_path / "page.md"
    page.write_text(
        "above\n<!-- begin a -->\nold\n<!-- end a -->\n<!-- begin b -->\n<!-- end b -->\n"
    )
    pages.write_part("a", "new \\1", page)
    text = page.read_text()
    assert "old" not in text and "new \\1" in text
    assert text.startswith("above\n") and "<!-- begin b -->\n<!-- end b -->" in text
    with pytest.raises(ValueError, match="no marks"):
        pages.write_part("c", "new", page)


def test_folders_of_a_reader_do_not_get_onto_the_page(monkeypatch):
    words = ["/x/accuracy.py", "--footage", "/home/me/clips", "--keep", "/tmp/k", "--given"]
    monkeypatch.setattr(sys, "argv", words)
    said = pages.command((Path("/home/me/clips"),))
    assert said == "python benchmarks/accuracy.py --footage FOLDER --given"
