"""The commands: a clip on disk, its labels, and everything that can go wrong on the way."""

import json
import subprocess
import sys
import textwrap
from dataclasses import replace

import cv2
import numpy as np
import pytest
from made_rally import CAMERA, frames, made_clip
from typer.testing import CliRunner

from halfvolley.cli import app
from halfvolley.errors import BadInput, BadSession, StorageError
from halfvolley.session import labels as room
from halfvolley.session import pipeline
from halfvolley.session.edit import new_session
from halfvolley.session.files import only_writer
from halfvolley.session.labels import frames_at
from halfvolley.session.recording import probe_recording
from halfvolley.session.schema import read_session
from halfvolley.session.stages import Scan
from halfvolley.types import Play, PlayedContact
from halfvolley.video import VideoWriter, WriterSettings, iter_frames, probe, to_rgb

MISSING = (11, 12)


@pytest.fixture(scope="module")
def footage(tmp_path_factory):
    """A clip of the made rally; frames 11 and 12 have no detection."""
    rng = np.random.default_rng(1)
    made = made_clip(rng, missing=MISSING)
    path = tmp_path_factory.mktemp("footage") / "club.mp4"
    with VideoWriter(path, made.info.size_px, WriterSettings()) as writer:
        for frame in frames(made, range(len(made.info.pts_s)), rng):
            writer.write(to_rgb(frame, made.info), frame.t_s)
    return path, made


@pytest.fixture
def session(footage, tmp_path, monkeypatch):
    """A session of that clip, as if it had been measured."""
    path, made = footage
    folder = tmp_path / "s"
    new_session(folder, [path])

    def load_clip(where, name=None):
        entry = read_session(where).clip(name)
        recording = probe_recording(entry.files)
        scan = Scan(made.flights.detections, CAMERA, ())
        return pipeline.ClipResult(
            read_session(where), entry, recording, None, scan, made.flights, made.play, None, None
        )

    monkeypatch.setattr(pipeline, "load_clip", load_clip)
    return folder


def run(*args):
    return CliRunner().invoke(app, ["labels", *(str(a) for a in args)])


def done(*args):
    result = run(*args)
    assert result.exit_code == 0, result.output
    return result.stdout


def one_sentence(result):
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1 and lines[0].startswith("halfvolley: "), result.stderr
    return lines[0]


def test_frames_at_gives_the_very_frames(footage):
    path, _ = footage
    recording = probe_recording((path,))
    every = {f.index: f.luma.copy() for f in iter_frames(probe(path))}
    n = len(every)
    twice = replace(
        recording, parts=recording.parts * 2, shift_s=np.array([0.0, recording.info.pts_s[-1] + 1])
    )
    wanted = [n + 3, 0, 7, 7, n - 1, n + 2, 10 * n]
    got = [(f.index, f.luma.copy(), f.t_s) for f in frames_at(twice, wanted)]
    assert [index for index, _, _ in got] == [0, 7, n - 1, n + 2, n + 3]
    for index, luma, t_s in got:
        assert np.array_equal(luma, every[index % n])
        assert t_s == pytest.approx(twice.info.pts_s[index])


def test_from_harvest_to_undo(session):
    said = done("harvest", session)
    assert "club: " in said and "0 changed" in said
    labels = room.read_labels(session).labels
    assert {x.frame for x in labels if x.kind == "recovered"} == set(MISSING)
    assert all(x.decision == "accepted" for x in labels)
    assert "0 new, 0 changed, 0 gone" in done("harvest", session)
    listed = done("list", session)
    assert "recovered" in listed and "Nothing waits for review." in listed
    number = labels[3].label_id
    assert f"rejected: label {number}" in done(
        "decide", session, number, "--reject", "--who", "Ann"
    )
    assert "1 left to a person" in done("harvest", session)
    assert "1 were decided by people" in " ".join(done("list", session).split())
    assert "rejected label" in done("list", session, "--history")
    assert "Undone: rejected label" in done("undo", session)
    assert room.read_labels(session).labels == labels
    assert "Undone: harvest of club" in done("undo", session)
    assert "Nothing to undo." in done("undo", session)


def test_machines_can_read_it(session):
    harvest = json.loads(done("harvest", session, "--json"))
    assert harvest["clips"][0]["added"] == len(room.read_labels(session).labels)
    listed = json.loads(done("list", session, "--json"))
    assert listed["queue"] == [] and listed["labels"] == listed["accepted"]
    assert "findings" in json.loads(done("check", session, "--json"))


def test_contact_sheets_show_the_queue(session):
    done("harvest", session)
    labels = room.read_labels(session).labels
    with room.open_labels(session) as store:
        for label in labels[2:26]:
            store.decide(label.label_id, "open", who="Ann", when_s=1.0, confidence=0.5)
    said = done("list", session, "--sheets")
    sheets = sorted((session / "report" / "labels").glob("*.png"))
    assert [s.name for s in sheets] == ["sheet_01.png", "sheet_02.png"]
    assert all(str(s) in said for s in sheets)
    first, second = (cv2.imread(str(s)) for s in sheets)
    assert first.shape[0] > second.shape[0]
    # the ball is bright in the middle of each cell, the wall around it is not
    cell = first[10 : 10 + 240, 10 : 10 + 240].astype(int).max(axis=2)
    assert cell[110:130, 110:130].mean() > cell[20:60, 20:60].mean() + 60
    with room.open_labels(session) as store:
        for label in store.labels():
            store.decide(label.label_id, "accepted", who="Ann", when_s=2.0)
    done("list", session, "--sheets")
    assert not list((session / "report" / "labels").glob("*.png"))


@pytest.mark.parametrize("style", ["rows", "coco", "voc"])
def test_out_and_in_again_changes_nothing(session, footage, tmp_path, style):
    done("harvest", session)
    before = room.read_labels(session).labels
    assert "Wrote" in done("export", session, tmp_path / "out", "--format", style)
    assert "0 added, 0 changed" in done("import", session, tmp_path / "out", "--who", "Ben")
    assert room.read_labels(session).labels == before
    fresh = tmp_path / "fresh"
    new_session(fresh, [footage[0]])
    done("import", fresh, tmp_path / "out", "--who", "Ben")
    key = lambda x: (x.frame, x.uv_px)  # noqa: E731
    got = sorted((replace(x, label_id=0) for x in room.read_labels(fresh).labels), key=key)
    assert got == sorted((replace(x, label_id=0) for x in before), key=key)
    shown = cv2.imread(str(next((tmp_path / "out" / "images").glob("club_000020.png"))))
    frame = next(f for f in iter_frames(probe(footage[0])) if f.index == 20)
    assert np.array_equal(shown[:, :, ::-1], to_rgb(frame, probe(footage[0])))


def test_imported_labels_outlive_a_harvest(session, tmp_path):
    done("harvest", session)
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "club_000020.txt").write_text("0 0.9 0.9 0.01 0.02\n")
    done("import", session, tmp_path / "in", "--who", "Ben")
    done("harvest", session)
    of_20 = [x for x in room.read_labels(session).labels if x.frame == 20 and x.is_ball]
    assert [x.who for x in of_20] == ["Ben"]


def test_a_bad_folder_changes_nothing(session, tmp_path):
    done("harvest", session)
    before = room.read_labels(session)
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "club_000020.txt").write_text("0 0.9 0.9 0.01 0.02\n")
    (tmp_path / "in" / "club_000021.txt").write_text("0 0.9 0.9\n")
    said = one_sentence(run("import", session, tmp_path / "in", "--who", "Ben"))
    assert "club_000021.txt, line 1" in said
    assert room.read_labels(session) == before
    assert "name of whoever" in one_sentence(run("import", session, tmp_path / "in", "--who", " "))


def test_export_needs_an_empty_place_and_labels(session, tmp_path):
    assert "labels harvest" in one_sentence(run("export", session, tmp_path / "out"))
    done("harvest", session)
    (tmp_path / "out").mkdir()
    done("export", session, tmp_path / "out")  # empty is as good as new
    assert "not empty" in one_sentence(run("export", session, tmp_path / "out"))
    few = one_sentence(run("export", session, tmp_path / "two", "--split", "rally"))
    assert "accepted labels, at least 50" in few
    assert not (tmp_path / "two").exists()


def test_a_leaky_split_must_be_named_and_is_called_so(session, tmp_path, make_label):
    more = [make_label(k % 40, uv_px=(20.0 + 12 * k, 500.0), who="Ann") for k in range(60)]
    with room.open_labels(session, make=True) as store:
        store.add(more, what="drawn", who="Ann", when_s=1.0)
    assert "LEAKY" in done("export", session, tmp_path / "out", "--split", "frame")
    assert (tmp_path / "out" / "leaky_train.txt").is_file()
    assert not list((tmp_path / "out").glob("train.txt"))
    assert "LEAKY" in done("check", session, "--split", "frame")
    assert "LEAKY" not in done("check", session)
    assert run("export", session, tmp_path / "x", "--split", "day").exit_code == 2


def test_killed_while_exporting_leaves_no_folder(session, footage, tmp_path):
    done("harvest", session)
    script = textwrap.dedent(
        f"""
        import os, signal
        from halfvolley.learn import exchange
        from halfvolley.session.labels import export_labels
        write = exchange._write_picture
        count = [0]
        def dying(*args):
            count[0] += 1
            if count[0] == 5:
                os.kill(os.getpid(), signal.SIGKILL)
            write(*args)
        exchange._write_picture = dying
        export_labels({str(session)!r}, {str(tmp_path / "out")!r})
        """
    )
    killed = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert killed.returncode == -9, killed.stderr
    assert not (tmp_path / "out").exists()
    done("export", session, tmp_path / "out")
    assert len(list((tmp_path / "out" / "images").iterdir())) > 5
    assert footage[0].exists()


def test_a_full_disk_is_said_and_leaves_nothing(session, tmp_path, monkeypatch):
    done("harvest", session)

    def full(path, rgb, picture_format):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("halfvolley.learn.exchange._write_picture", full)
    assert "no space left" in one_sentence(run("export", session, tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_one_harvest_at_a_time(session):
    with only_writer(session / "computed"):
        with pytest.raises(StorageError, match="is writing to"):
            room.harvest_labels(session)


def test_not_measured_yet(footage, tmp_path):
    new_session(tmp_path / "s", [footage[0]])
    assert "halfvolley measure" in one_sentence(run("harvest", tmp_path / "s"))
    assert "no clip is named" in one_sentence(run("harvest", tmp_path / "s", "--clip", "no"))
    for command in ("list", "check", "undo"):
        assert "labels harvest" in one_sentence(run(command, tmp_path / "s"))
    assert not (tmp_path / "s" / "labels.sqlite").exists()
    for command in ("harvest", "list", "check", "undo"):
        assert "no such session folder" in one_sentence(run(command, tmp_path / "none"))


def test_check_names_footage_that_is_there_twice(session, footage, tmp_path):
    done("harvest", session)
    copy = tmp_path / "again.mp4"
    copy.write_bytes(footage[0].read_bytes())
    text = (session / "session.toml").read_text()
    (session / "session.toml").write_text(f'{text}\n[[clips]]\npath = "{copy}"\n')
    assert "again is the same footage as club" in done("check", session)
    copy.unlink()
    assert "the footage of again cannot be read" in done("check", session)


def test_check_looks_at_pictures_too(session, tmp_path):
    done("harvest", session)
    done("export", session, tmp_path / "out")
    next((tmp_path / "out" / "images").iterdir()).write_bytes(b"")
    said = done("check", session, "--pictures", tmp_path / "out")
    assert "1 picture empty or damaged" in said
    assert "no such folder" in one_sentence(run("check", session, "--pictures", tmp_path / "none"))


def test_a_decision_needs_a_name(session):
    done("harvest", session)
    assert run("decide", session, "1").exit_code == 2
    with room.open_labels(session) as store:
        with pytest.raises(BadInput, match="name of a person"):
            store.decide(1, "accepted", who="", when_s=1.0)


def test_labels_follow_the_rallies_of_the_newest_measurement(session, footage, monkeypatch, made):
    done("harvest", session)
    assert {x.rally for x in room.read_labels(session).labels} == {None}
    touch = PlayedContact(made.contact(t_s=0.3), 4, "A", "A")
    play = Play((touch,), (), ())
    loaded = pipeline.load_clip
    monkeypatch.setattr(
        pipeline, "load_clip", lambda where, name=None: replace(loaded(where, name), play=play)
    )
    done("harvest", session)
    assert {x.rally for x in room.read_labels(session).labels} == {4}


def test_no_session_no_store(tmp_path):
    with pytest.raises(BadSession):
        room.open_labels(tmp_path)
