"""Network against classical finder: pairs by clip, and what their differences are."""

import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import finders


def made(kind, asked, *n_found, failed=False):
    """A clip of which the finders found so many bounces, one false each, 2 and 1 mm off."""
    ball = {"state": "flight", "contrast": 200}
    truth = SimpleNamespace(
        kind=kind, must_t_s=np.zeros(asked), strokes=SimpleNamespace(t_s=np.zeros(asked)),
        document={"clip": {"ball_colour": "white"}, "frames": [{"ball": ball}, {"ball": None}]},
    )  # fmt: skip
    scores = tuple(
        SimpleNamespace(
            bounces=SimpleNamespace(
                n_found=n, n_false=1, n_claimed=n + 1, distance_mm=np.full(n, 2.0 - which)
            ),
            n_strokes_found=n,
        )
        for which, n in enumerate(n_found)
    )
    return finders.Pair(truth, (None, scores[1]) if failed else scores)


def test_a_clip_that_fails_counts_with_all_its_bounces_as_missed():
    pairs = [made("side", 10, 8, 9), made("webcam", 10, 6, 9, failed=True)]
    assert finders.found(pairs, 0) == pytest.approx(100 * 8 / 20)
    assert finders.found(pairs, 1) == pytest.approx(100 * 18 / 20)
    assert finders.false(pairs, 0) == pytest.approx(100 / 9)
    assert finders.off(pairs, 0) == 2.0 and finders.off(pairs, 1) == 1.0
    assert np.isnan(finders.off([made("side", 3, 3, 3, failed=True)], 0))


def test_groups_and_their_differences():
    pairs = [made("side", 10, 8, 9), made("side", 10, 7, 8), made("webcam", 10, 6, 9)]
    rows = {row[0]: row[1:] for row in finders.rows_of(pairs)}
    assert set(rows) == {"side", "webcam", "white ball", "all"}
    assert len(finders.HEAD) == len(rows["all"]) + 1
    # each side clip gains one of ten, whatever is drawn
    assert rows["side"][:5] == ["2", "20", "75.0", "85.0", "+10.0 (+10.0 to +10.0)"]
    assert rows["all"][4].startswith("+16.7 (+10.0 to +30.0")
