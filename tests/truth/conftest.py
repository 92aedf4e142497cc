"""The game that odd clips are made of, rendered once, and a way to measure a clip."""

import sys
from pathlib import Path

import numpy as np
import pytest

import halfvolley as hv
from halfvolley.session.edit import set_clip
from halfvolley.simulate import make_clip

sys.path.insert(0, str(Path(__file__).parent))  # importlib mode does not do it

import odd_clips as oc


@pytest.fixture(scope="session")
def played(tmp_path_factory) -> oc.Played:
    """The game that the odd clips are made of."""
    folder = tmp_path_factory.mktemp("clips")
    made = oc.scene()
    truth = make_clip(
        folder / "game.mp4", made, np.random.default_rng(1), oc.DURATION_S, oc.QUICK, oc.game(made)
    )
    return oc.Played(truth.path, truth, oc.decoded(truth.path), folder)


@pytest.fixture(scope="session")
def measure_clip(tmp_path_factory):
    """Measures a clip in a session of its own; what is said goes into session.toml."""

    def run(clip: Path, **said):
        folder = tmp_path_factory.mktemp("measured") / "session"
        session = hv.new_session(folder, [clip])
        if said:
            set_clip(session, session.clips[0].name, **said)
        hv.measure(folder)
        return hv.read_summary(folder).clips[0]

    return run
