"""The benchmark without a ball: what its footage shows, what it counts, and one short piece."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import no_ball

SIZE = 640, 360


@pytest.fixture(scope="module")
def pieces(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pieces")
    return [no_ball.make_piece(folder, number, 0.4, SIZE) for number in (0, 1)]


def test_no_ball_is_in_play(pieces):
    without, held = (json.loads(p.with_suffix(".json").read_text()) for p in pieces)
    assert all(frame["ball"] is None for frame in without["frames"])
    assert {frame["ball"]["state"] for frame in held["frames"]} == {"hand"}


def test_what_lies_on_the_ball_in_the_hand_is_not_invented(pieces):
    document = json.loads(pieces[1].with_suffix(".json").read_text())
    ball = document["frames"][3]["ball"]
    uv = np.array([[ball["u"], ball["v"]], [ball["u"] + 60.0, ball["v"]]])
    assert no_ball.on_a_ball(document, np.array([3, 3]), uv).tolist() == [True, False]


def test_a_piece_is_measured_and_counted(pieces, tmp_path):
    counts = no_ball.invented(pieces[0], tmp_path, "network")
    assert counts.film_s == pytest.approx(0.4, abs=0.05)
    assert counts.contacts == 0
    both = counts + no_ball.Counts(59.6, 3, 2, 1, 0)
    (row,) = no_ball.rows_of({"all": both})
    assert row[:2] == ["all", "1.0"]
    assert float(row[4]) == pytest.approx(counts.arcs + 1.0, abs=0.1)
