"""What the Play screen is given, of odd sessions too, without a browser."""

import sys
from pathlib import Path

import numpy as np
import pytest

from halfvolley.errors import BadSession, Unknown
from halfvolley.flight import DropBounce, Drops
from halfvolley.session.edit import add_point, add_touch, set_clip
from halfvolley.session.schema import read_session
from halfvolley.web.play_data import play_data
from halfvolley.web.practice_data import drop_items

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


def test_of_practised_serves_each_is_listed_with_where_it_went(tmp_path):
    folder, clip = session_of(tmp_path, 5)
    data = play_data(folder, clip)
    assert len(data["rallies"]) == 5 and data["items"] == []
    set_clip(read_session(folder), clip, kind="serves")
    data = play_data(folder, clip)
    assert data["rallies"] == []
    assert data["contacts"] and data["strokes"] and data["flights"]
    assert [item["id"] for item in data["items"]] == [1, 2, 3, 4, 5]
    assert data["findings"] == ["5 serves: 5 on the table."]
    contacts = {c["id"]: c for c in data["contacts"]}
    for item in data["items"]:
        touches = [contacts[i] for i in item["touches"]]
        assert [c["kind"] for c in touches] == ["racket", "table", "table"]
        assert (item["from"], item["to"]) == (touches[0]["t"], touches[-1]["t"])
        depth = abs(touches[-1]["xyz"][0]) / (1.37 / 3)
        assert f"serve {('short', 'half-long', 'long')[int(depth)]}, to the" in item["words"]
        assert item["more"].endswith("cm over the net") and " m/s, " in item["more"]


def test_of_fed_balls_the_strokes_are_listed_each_with_its_own_touches(tmp_path):
    folder, clip = session_of(tmp_path, 5)
    set_clip(read_session(folder), clip, kind="feed")
    data = play_data(folder, clip)
    assert len(data["items"]) == len(data["strokes"]) > 10
    listed = [i for item in data["items"] for i in item["touches"]]
    assert len(listed) == len(set(listed)), "no touch belongs to two"
    gone = [item for item in data["items"] if "past the table" in item["words"]]
    assert all(len(item["touches"]) == 2 for item in gone)
    (tally,) = data["findings"]
    assert tally.startswith(f"{len(data['items'])} strokes: ")


def test_of_a_drop_the_bounces_are_listed_with_what_they_say_of_the_table():
    bounces = tuple(
        DropBounce(1, n, 6 + n, 2.0 + n, 0.001, np.zeros(2), np.eye(2), 2.4, 0.02, 2.1, 0.02,
                   0.9, 0.012, 0.3, 0.004, 0.231, 0.003)
        for n in (1, 2)
    )  # fmt: skip
    found = Drops(bounces, 0.92, 0.01, np.eye(2) * 1e-4, 2.4, 0.9, 0.012, 0.231, 0.003, 9.8, 0.05,
                  1.0)  # fmt: skip
    items, findings = drop_items(found)
    assert [item["from"] for item in items] == [3.0, 4.0]
    assert items[1]["words"] == "Drop 1, bounce 2: fell 300 mm, rose 231 ± 3 mm"
    assert items[1]["more"] == "keeps 90.0 ± 1.2 % of its speed (2.40 to 2.10 m/s)"
    assert any("231 ± 3 mm" in words for words in findings)
    assert drop_items(None)[1] and drop_items(None)[0] == []
    items, (why,) = drop_items(Unknown("the ball was never let go"))
    assert items == [] and "never let go" in why


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
