"""The report's benchmark on half a minute: what it makes, times and says."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import report
from halfvolley.session.quality import read_seen


def test_a_made_session_is_measured(tmp_path):
    folder = tmp_path / "session"
    report.make(folder, 0.5)
    seen = read_seen(folder)["evening"]
    assert seen.flight_frames == pytest.approx(60.0 * seen.flown_s, rel=0.15)
    assert seen.seen_frames == seen.flight_frames, "each frame of a flight was given its ball"
    cost = report.measure(folder, "page alone")
    assert 0.0 < cost.cpu_s
    assert 0.0 < cost.html_MB < cost.all_MB + 1e-9
    assert cost.pdf_MB == 0.0
    text = report.cost_table(folder, [cost])
    assert "3 rallies" in text
    assert "| page alone |" in text
