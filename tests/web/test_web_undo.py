"""Changes that are taken back, the newest first, whatever was said."""

import numpy as np
import pytest

from halfvolley.errors import BadSession
from halfvolley.session.edit import (
    add_touch,
    new_session,
    put_back,
    set_clip,
    set_targets,
    set_words,
    take_back,
)
from halfvolley.session.schema import TargetZone, read_session
from halfvolley.web.undo import Changes


@pytest.fixture
def folder(tmp_path):
    clip = tmp_path / "game.mp4"
    clip.write_bytes(b"")
    return new_session(tmp_path / "s", [clip]).folder


def test_changes_are_taken_back_one_by_one(folder):
    zone = TargetZone("deep", ((0.9, -0.7), (0.9, 0.7), (1.3, 0.7)))
    before = (folder / "session.toml").read_text()
    made = Changes(folder)
    assert made.newest == ""
    set_words(read_session(folder), "players", A="Ada", B="Bo")
    made.did("the names", lambda s: set_words(s, "players", A="", B=""))
    set_targets(read_session(folder), [zone])
    made.did("the targets", lambda s: set_targets(s, []))
    set_clip(read_session(folder), "game", end_a="right")
    made.did("the swap", lambda s: set_clip(s, "game", end_a=None))
    for newest, still in (("the swap", "right"), ("the targets", "auto"), ("the names", "auto")):
        assert made.newest == newest
        assert read_session(folder).clips[0].end_a == still
        made.undo()
    assert (folder / "session.toml").read_text().rstrip() == before.rstrip(), "comments too"
    with pytest.raises(BadSession, match="nothing to undo"):
        made.undo()


def test_a_change_that_cannot_be_taken_back_bars_no_earlier_one(folder):
    made = Changes(folder)
    made.did("the names", lambda s: set_words(s, "players", A="Bo"))
    made.did("the correction", lambda s: take_back(s, "touches", 0))
    with pytest.raises(BadSession, match="taken back already"):
        made.undo()
    made.undo()
    assert read_session(folder).player_a == "Bo"


def test_a_word_that_was_taken_back_comes_again_to_its_place(folder):
    for t in (1.0, 2.0, 3.0):
        add_touch(read_session(folder), "game", t, was="none")
    for index in (0, 1, 2):
        session = read_session(folder)
        word = session.touches[index]
        take_back(session, "touches", index)
        assert len(read_session(folder).touches) == 2
        put_back(read_session(folder), "touches", index, word)
        assert read_session(folder).touches == session.touches
    only = read_session(folder).touches[0]
    for _ in range(3):
        take_back(read_session(folder), "touches", 0)
    assert "touches" not in (folder / "session.toml").read_text()
    put_back(read_session(folder), "touches", 0, only)
    assert np.isclose(read_session(folder).touches[0].t_s, 1.0)
