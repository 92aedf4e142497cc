"""Builders for tests of the learning loop."""

import sys
from pathlib import Path

import pytest

from halfvolley.types import VETTED, Label

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def make_label():
    """A label of a ball with a slanted streak, everything said; any field may be replaced."""

    def make(frame=12, **said):
        values = {
            "clip": "club", "frame": frame, "t_s": frame / 60.0, "kind": "positive",
            "uv_px": (100.25, 60.5), "radius_px": 4.75, "streak_px": (7.5, -2.25),
            "origin": "flight", "confidence": 0.999, "decision": "accepted", "who": VETTED,
            "when_s": 1000.0, "rally": 1, "why": "on a flight",
        }  # fmt: skip
        values |= said
        if values["kind"] == "none":
            values |= {"uv_px": None, "radius_px": None, "streak_px": None}
        if values["decision"] == "open" and "who" not in said:
            values["who"] = ""
        return Label(**values)

    return make
