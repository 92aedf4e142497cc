"""Figures of a detector: by hand, against pycocotools and scikit-learn, and with controls."""

import contextlib
import io
from dataclasses import replace

import numpy as np
import pytest

from halfvolley.learn.answers import answers_of_labels, answers_of_truth, answers_without_ball
from halfvolley.learn.measured import (
    Found,
    average_precision,
    no_more_false,
    precision_recall,
)
from halfvolley.learn.scoring import (
    curve,
    figures,
    found_of,
    gain,
    groups,
    hold,
    reliability,
    together,
)
from halfvolley.types import Detections

SIZE = (640, 360)


def detections(rows):
    """From (frame, u, v, score), in frame order."""
    t = np.array(sorted(rows, key=lambda r: r[0]), float).reshape(-1, 4)
    n = len(t)
    return Detections(
        t[:, 0].astype(np.int64), t[:, 0] / 60, t[:, 1:3], np.tile(np.eye(2), (n, 1, 1)),
        np.full(n, 5.0), np.zeros((n, 2)), t[:, 3], np.zeros(n, np.int64),
    )  # fmt: skip


def held(rows, answers, **said):
    luma = np.full(len(answers), 100.0)
    values = {"interval_s": 1 / 60, "took_s": 2.0, "searched": 100} | said
    return hold(detections(rows), answers, luma, **values)


@pytest.fixture
def lesson(make_label):
    """A ball of radius 5 in 60 frames that moves 4 px a frame; something else in some of them."""
    labels = [
        make_label(k, uv_px=(100.0 + 4 * k, 80.0), radius_px=5.0, streak_px=(2.0, 0.0))
        for k in range(60)
    ]
    labels.append(make_label(70, kind="negative", uv_px=(300.0, 200.0), radius_px=5.0))
    labels.append(make_label(72, kind="none"))
    labels.append(make_label(5, uv_px=(400.0, 300.0), radius_px=5.0, decision="open"))
    labels.append(make_label(6, uv_px=(400.0, 300.0), radius_px=5.0, decision="rejected"))
    return answers_of_labels(labels, "club", SIZE)


def place(k):
    return 100.0 + 4 * k, 80.0


def test_labels_say_what_is_asked(lesson):
    assert lesson.frame.tolist() == [*range(60), 70, 72]
    assert lesson.asked.sum() == 60 and lesson.empty.sum() == 1
    assert lesson.speed_px[30] == pytest.approx(4.0)
    assert not lesson.whole[60] and lesson.whole[61]
    half = lesson.within([(10, 19), (70, 70)])
    assert half.frame.tolist() == [*range(10, 20), 70] and len(half.refuted) == 1
    rest = lesson.within([(10, 19), (70, 70)], inside=False)
    assert len(rest) + len(half) == len(lesson) and not len(rest.refuted)


def test_what_counts(lesson):
    u, v = place(3)
    rows = [
        (3, u + 4.0, v, 0.9), (3, u - 1.0, v, 0.8),  # the best one counts, the other is false
        (4, place(4)[0] + 6.0, v, 0.9),  # further than a radius
        (5, 402.0, 301.0, 0.9),  # waits for review: neither
        (6, 402.0, 301.0, 0.9),  # rejected: it is no ball
        (70, 301.0, 200.0, 0.9), (70, 500.0, 90.0, 0.9),  # refuted; of the rest nothing is known
        (72, 20.0, 20.0, 0.9), (72, 40.0, 20.0, 0.3),  # no ball there at all
        (65, 20.0, 20.0, 0.9),  # nobody asked
    ]  # fmt: skip
    found = figures(held(rows, lesson))
    assert (found.balls, found.found, found.false) == (60, 1, 5)
    assert found.recall == pytest.approx(1 / 60)
    assert found.off_px == pytest.approx(4.0) and found.off_radii == pytest.approx(0.8)
    assert found.average_precision > found.average_precision_half  # 4 px is beyond half a radius
    assert found.false_a_minute == pytest.approx(60 * 5 / (61 / 60))
    assert found.false_a_minute_empty is None  # on one frame
    assert found.frames_per_s == pytest.approx(50.0)


def test_truth_asks_for_the_ball_in_flight_only():
    def ball(state, **said):
        return {
            "state": state, "u": 100.0, "v": 50.0, "radius_px": 5.0, "blur_px": 4.0,
            "uv_start": [98.0, 50.0], "uv_end": [102.0, 50.0], "visible": 1.0, "contrast": 90,
        } | said  # fmt: skip

    balls = [
        ball("flight"), ball("hand"), ball("flight", visible=0.3), ball("flight", contrast=5),
        ball("flight", u=-5.0), {"state": "flight"}, None,
    ]  # fmt: skip
    document = {
        "clip": {"width": SIZE[0], "height": SIZE[1]},
        "frames": [{"i": i, "ball": b, "other_balls": []} for i, b in enumerate(balls)],
    }
    answers = answers_of_truth(document, "made")
    assert answers.asked.tolist() == [True] + 6 * [False]
    assert answers.empty.tolist() == [False, False, False, False, True, True, True]
    rows = [(i, 101.0, 50.0, 0.9) for i in range(7)]
    found = figures(held(rows, answers))
    assert (found.found, found.false) == (1, 3)  # hand, hidden and faint ones count neither way


def test_false_alarms_without_a_ball():
    answers = answers_without_ball("empty", SIZE, 600)
    rows = [(k, 10.0, 10.0, 0.9) for k in range(0, 600, 100)]
    found = figures(held(rows, answers))
    assert found.false_a_minute_empty == pytest.approx(36.0)  # 6 in 10 s
    assert found.recall is None and found.precision == 0.0


def random_outcome(rng, answers):
    """Some found with a score above that of noise, some missed, some invented."""
    rows = []
    for k in range(60):
        if rng.random() < 0.8:
            score = rng.choice([0.35, 0.5, 0.65, 0.8, 0.95])  # many of one score
            rows.append((k, place(k)[0] + rng.uniform(-4, 4), 80.0, score))
        if rng.random() < 0.4:
            rows.append((k, rng.uniform(400, 600), 200.0, rng.choice([0.2, 0.35, 0.5, 0.65])))
    return held(rows, answers)


def test_average_precision_as_pycocotools_has_it(lesson):
    """Boxes that overlap wholly where a find is right, and not at all where it is not."""
    pytest.importorskip("pycocotools")
    from pycocotools.coco import COCO
    from pycocotools.cocoeval import COCOeval

    one = random_outcome(np.random.default_rng(3), lesson)
    true, found = [], []
    for i, frame in enumerate(one.asked.frame.tolist()):
        true.append({"id": i + 1, "image_id": frame + 1, "category_id": 1, "iscrowd": 0,
                     "bbox": [10, 10, 10, 10], "area": 100})  # fmt: skip
    for score, right, frame in zip(one.finds.score, one.finds.right, one.finds.frame, strict=True):
        box = [10, 10, 10, 10] if right else [200, 200, 10, 10]
        # equal scores: pycocotools takes them one by one, the right ones last is the plain reading
        found.append({"image_id": int(frame) + 1, "category_id": 1, "bbox": box,
                      "score": float(score) - 1e-6 * bool(right)})  # fmt: skip
    with contextlib.redirect_stdout(io.StringIO()):
        truth = COCO()
        truth.dataset = {
            "info": {}, "images": [{"id": k + 1} for k in range(80)],
            "categories": [{"id": 1, "name": "ball"}], "annotations": true,
        }  # fmt: skip
        truth.createIndex()
        check = COCOeval(truth, truth.loadRes(found), "bbox")
        check.evaluate()
        check.accumulate()
    theirs = check.eval["precision"][0, :, 0, 0, 2]  # at IoU 0.5, 101 recalls, 100 finds at most
    precision, recall, _ = precision_recall(_broken_ties(found_of(one)))
    best = np.maximum.accumulate(precision[::-1])[::-1]
    at = np.searchsorted(recall, check.params.recThrs, side="left")
    ours = np.where(at < len(best), best[np.minimum(at, len(best) - 1)], 0.0)
    assert ours == pytest.approx(theirs, abs=1e-9)
    # the area itself differs by the sampling at 101 places only
    assert average_precision(_broken_ties(found_of(one))) == pytest.approx(theirs.mean(), abs=0.01)
    assert 0.5 < theirs.mean() < 0.95  # so that a fault would show


def _broken_ties(found):
    return replace(found, score=found.score - 1e-6 * found.is_ball)


def test_curves_and_calibration_as_scikit_learn_has_them(lesson):
    pytest.importorskip("sklearn")
    from sklearn.calibration import calibration_curve
    from sklearn.metrics import precision_recall_curve

    one = random_outcome(np.random.default_rng(5), lesson)
    precision, recall, threshold = curve(one)
    p, r, t = precision_recall_curve(one.finds.right, one.finds.score)
    found = one.finds.right.sum() / len(one.asked.score)  # it knows nothing of what was missed
    assert precision == pytest.approx(p[:-1][::-1])
    assert recall == pytest.approx(found * r[:-1][::-1])
    assert threshold == pytest.approx(t[::-1])
    share, score = calibration_curve(one.finds.right, one.finds.score, n_bins=10)
    own_score, own_share, count = reliability(one)
    assert own_score == pytest.approx(score) and own_share == pytest.approx(share)
    expected = float(np.sum(count * np.abs(share - score)) / count.sum())
    assert figures(one).calibration_error == pytest.approx(expected)
    assert expected > 0.05


def test_scores_are_lowered_until_no_more_is_invented():
    def likely(found, scale):
        x = scale[0] * np.log(found.score / (1.0 - found.score)) + scale[1] > 0.0
        return int(np.sum(x & found.is_ball)), int(np.sum(x & ~found.is_ball))

    ball, false = np.linspace(0.8, 0.99, 200), np.array([0.1, 0.3, 0.6, 0.7, 0.75])
    score = np.concatenate([ball, false])
    nothing = np.full(len(score), np.nan)
    found = Found(score, score >= 0.8, nothing, nothing, nothing, nothing, 200, 400)
    assert likely(found, (1.0, 0.0)) == (200, 3)
    assert no_more_false(found, (1.0, 0.0), 3) == (1.0, 0.0)
    for allowed in (0, 1, 2):
        assert likely(found, no_more_false(found, (1.0, 0.0), allowed)) == (200, allowed)
    # a false find that is as sure as the balls is not bought with them
    sure = replace(found, score=np.append(score[:-1], 0.98))
    right, wrong = likely(sure, no_more_false(sure, (1.0, 0.0), 0))
    assert wrong == 1 and 190 < right < 200


def test_groups_hold_every_ball_once(lesson):
    one = random_outcome(np.random.default_rng(6), lesson)
    found = groups(one)
    total = figures(one)
    for by in ("blur", "size", "brightness", "place"):
        mine = [g for g in found if g.by == by]
        assert sum(g.balls for g in mine) == total.balls, by
        assert sum(g.found for g in mine) == total.found, by
    assert sum(g.false for g in found if g.by == "place") == total.false
    assert {g.name for g in found if g.by == "place" and g.balls} == {"upper left", "upper middle"}


def test_a_gain_has_a_sign_and_an_interval(lesson):
    rng = np.random.default_rng(7)
    worse, better = [], []
    answers = [lesson] * 8
    for number, a in enumerate(answers):
        rows = [(k, place(k)[0], 80.0, 0.9) for k in range(60)]
        better.append(held(rows, a, clip=number))
        worse.append(held([r for r in rows if rng.random() < 0.7], a, clip=number))
    found = gain(together(worse), together(better), np.random.default_rng(1))
    assert found.low > 0.1 and found.low < found.gain < found.high < 0.5
    none = gain(together(better), together(better), np.random.default_rng(1))
    assert none.gain == none.low == none.high == 0.0
    assert gain(worse[0], better[0], np.random.default_rng(1)).blocks <= 2
