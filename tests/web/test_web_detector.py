"""What the Detector screen shows, and the unfinished training that it goes on from."""

import json

import numpy as np
import pytest

from halfvolley.errors import BadInput
from halfvolley.session.edit import new_session, set_targets
from halfvolley.session.models import use_detector
from halfvolley.session.schema import TargetZone, read_session
from halfvolley.session.unfinished import (
    CHECKPOINT,
    give_up_unfinished,
    is_given_up,
    note_training,
    read_unfinished,
    take_up_again,
)
from halfvolley.web.detector_data import (
    curve_points,
    known_detectors,
    read_comparison,
    read_teaching,
    ready_labels,
)
from halfvolley.web.pages.targets import zone_corners
from halfvolley.web.work import train_detector

SETTINGS = {"seed": 1, "steps": 1500, "minutes": 12.0}
POINTS = [
    {"step": step, "took_s": 0.5 * step, "loss": loss,
     "goodness": {"own": {"average_precision": own}}}
    for step, loss, own in ((0, 0.0, 0.71), (100, 0.4, 0.83), (200, 0.3, 0.9))
]  # fmt: skip


@pytest.fixture
def session(tmp_path):
    (tmp_path / "a.mp4").write_bytes(b"x")
    return new_session(tmp_path / "s", [tmp_path / "a.mp4"])


def stopped(folder, step=200):
    """A training that was stopped, as `train_sessions` leaves it."""
    work = folder / "computed" / "training" / "abc"
    said = {"settings": SETTINGS, "split_by": "rally", "start": "network", "device": "CPU",
            "labels": {"train": 60, "validation": 20, "test": 20}}  # fmt: skip
    note_training(work, said)
    plain = {"step": step, "took_s": 100.0, "curve": POINTS}
    np.savez(work / CHECKPOINT, said=np.array(json.dumps(plain)))
    return work


def test_a_stopped_training_is_read_and_given_up(session):
    assert read_unfinished(session.folder) is None
    work = stopped(session.folder)
    at = read_unfinished(session.folder)
    assert (at.step, at.start, at.labels["train"]) == (200, "network", 60)
    assert at.share == pytest.approx(100.0 / 720.0), "time runs out before steps do"
    assert at.left_s == pytest.approx(620.0)
    assert [p["own"] for p in curve_points(at.curve)] == [0.71, 0.83, 0.9]
    assert [p["loss"] for p in curve_points(at.curve)] == [None, 0.4, 0.3]
    (work / CHECKPOINT).write_bytes(b"torn")
    at = read_unfinished(session.folder)
    assert (at.step, at.curve, at.left_s) == (0, (), None), "a damaged one begins anew"
    assert not is_given_up(session.folder)
    give_up_unfinished(session.folder)
    assert read_unfinished(session.folder) is None and not work.exists()
    assert is_given_up(session.folder)
    take_up_again(session.folder)
    assert read_unfinished(session.folder).start == "network" and not is_given_up(session.folder)


def test_a_training_on_several_sessions_is_the_commands_own(session, tmp_path, monkeypatch):
    other = new_session(tmp_path / "t", [tmp_path / "a.mp4"]).folder
    called = []

    def train(folders, **said):
        called.append((list(folders), said["settings"].minutes))
        raise BadInput("enough")

    monkeypatch.setattr("halfvolley.session.train.train_sessions", train)
    said = {"settings": {"minutes": 3}, "others": [str(other)]}
    with pytest.raises(BadInput, match="enough"):
        train_detector(session.folder, progress=lambda *_: None, said=said)
    assert called == [([session.folder, str(other)], 3)]
    work = stopped(session.folder)
    assert read_unfinished(session.folder).sessions == (), "as older ones were noted"
    noted = json.loads((work / "training.json").read_text())
    note_training(work, noted | {"sessions": [str(session.folder), str(other)]})
    assert read_unfinished(session.folder).sessions == (str(session.folder), str(other))
    assert ready_labels(other) == (0, 0)


def test_which_detectors_there_are_and_which_is_used(session):
    models = session.folder / "models"
    models.mkdir()
    (models / "detector-01.onnx").write_bytes(b"x")
    compared = {
        "notes": [], "known_by": "labels",
        "detectors": [{"detector": "network", "against": {"labels": {"figures": {"recall": 0.9}}},
                       "worst": {"missed": [{"frame": k} for k in range(20)], "false": []}}],
    }  # fmt: skip
    place = session.folder / "report" / "score"
    place.mkdir(parents=True)
    (place / "score.json").write_text(json.dumps(compared))
    known = {d.name: d for d in known_detectors(session, read_comparison(session.folder))}
    assert list(known) == ["auto", "classical", "network", "models/detector-01.onnx"]
    assert [d.used for d in known.values()] == [True, False, False, False]
    assert known["network"].figures == {"recall": 0.9}
    assert len(known["network"].worst["missed"]) == 8
    assert known["classical"].figures is None
    same = known_detectors(session, read_comparison(session.folder), "network")[0]
    assert same.name == "auto" and same.figures == {"recall": 0.9}
    use_detector(session, "classical")
    assert use_detector(read_session(session.folder), "auto").ball.detector == "auto"
    (place / "score.json").write_text("{")
    assert read_comparison(session.folder) is None, "a damaged one is none"


def test_without_pytorch_the_one_command_is_said(session, monkeypatch):
    assert read_teaching(session).trouble == ""
    monkeypatch.setitem(__import__("sys").modules, "torch", None)
    assert "pip install '.[train]'" in read_teaching(session).trouble


def test_a_target_is_the_rectangle_around_its_fields(session):
    corners = zone_corners({(3, 0), (4, 1)})
    assert corners == ((0.0, -0.254), (0.0, 0.762), (0.913, 0.762), (0.913, -0.254))
    zone = TargetZone("short <b>", corners)
    assert set_targets(session, [zone, zone]).targets == (zone, zone)
    assert "targets" not in set_targets(read_session(session.folder), []).folder.joinpath(
        "session.toml"
    ).read_text(encoding="utf-8")
    for fields, words in ((set(), "at least one"), ({(2, 0), (3, 0)}, "one half")):
        with pytest.raises(ValueError, match=words):
            zone_corners(fields)
