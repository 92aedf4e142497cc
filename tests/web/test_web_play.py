"""What the Play screen is given, of odd sessions too, without a browser."""

import sys
from pathlib import Path

import pytest

from halfvolley.errors import BadSession
from halfvolley.session.edit import add_point, add_touch, set_clip
from halfvolley.session.schema import read_session
from halfvolley.web.play_data import play_data

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from made_session import make_session


def session_of(tmp_path, rallies, names=("Ada", "Bo")):
    folder = make_session(tmp_path / "s", rallies=rallies, seed=6, names=names).folder
    return folder, read_session(folder).clips[0].name


def test_a_session_without_play(tmp_path):
    folder, clip = session_of(tmp_path, 0, ("<b>Ada</b>", ""))
    data = play_data(folder, clip)
    assert data["contacts"] == data["flights"] == data["strokes"] == data["rallies"] == []
    assert data["names"] == {"A": "<b>Ada</b>", "B": "B"}, "one player; the other is called by end"
    with pytest.raises(BadSession, match="measure again"):
        play_data(folder, "later")


def test_of_practice_touches_are_shown_and_no_rallies(tmp_path):
    folder, clip = session_of(tmp_path, 3)
    assert len(play_data(folder, clip)["rallies"]) == 3
    set_clip(read_session(folder), clip, kind="serves")
    data = play_data(folder, clip)
    assert data["rallies"] == []
    assert data["contacts"] and data["strokes"] and data["flights"]


def test_of_words_that_contradict_each_other_the_last_counts_and_is_named(tmp_path):
    folder, clip = session_of(tmp_path, 3)
    data = play_data(folder, clip)
    rally = data["rallies"][1]
    middle = (rally["from"] + rally["to"]) / 2
    for winner in ("A", "B"):
        add_point(read_session(folder), clip, middle, winner=winner)
    stroke = next(c for c in data["contacts"] if c["kind"] == "racket")
    add_touch(read_session(folder), clip, stroke["t"], player="B")
    add_touch(read_session(folder), clip, stroke["t"], was="none")
    data = play_data(folder, clip)
    assert data["rallies"][1]["winner"] == "B"
    assert data["corrected"] == {stroke["id"]: "none"}
    assert len(data["words"]) == 4, "each can be taken back by itself"
    assert len(data["notes"]) == 2 and all("last" in words for words in data["notes"])
