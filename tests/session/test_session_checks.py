"""Clips of drops and marks: in session.toml, and in the tables."""

import csv
from dataclasses import replace

import numpy as np
import pyarrow.parquet as pq
import pytest

from halfvolley.camera import MARK_NAMES, Mark, MarksCheck, marks_m
from halfvolley.errors import BadSession, FootageError, Unknown
from halfvolley.flight import DropBounce, Drops
from halfvolley.session.edit import add_clip, marks_clips, new_session
from halfvolley.session.schema import FILE_NAME, read_session
from halfvolley.session.tables import ClipTables, write_tables
from halfvolley.types import Play


@pytest.fixture
def session(tmp_path):
    for name in ("play", "marks", "drop"):
        (tmp_path / f"{name}.mp4").write_bytes(name.encode())
    return new_session(tmp_path / "s", [tmp_path / "play.mp4"])


def test_a_clip_is_added_and_comments_stay(session, tmp_path):
    path = session.folder / FILE_NAME
    path.write_text(path.read_text() + "# my own remark\n")
    after = add_clip(session, tmp_path / "drop.mp4", kind="drop")
    assert [(c.name, c.kind) for c in after.clips] == [("play", "play"), ("drop", "drop")]
    assert after.clips[1].path == tmp_path / "drop.mp4"
    assert "# my own remark" in path.read_text()
    again = add_clip(after, tmp_path / "drop.mp4", kind="drop")
    assert again.clips[2].name == "drop-2"
    with pytest.raises(FootageError, match="no such file"):
        add_clip(session, tmp_path / "none.mp4")
    before = path.read_text()
    with pytest.raises(BadSession, match="kind"):
        add_clip(session, tmp_path / "drop.mp4", kind="jump")
    assert path.read_text() == before


def test_a_wrong_kind_names_line_and_choices(session):
    path = session.folder / FILE_NAME
    text = path.read_text().replace('# kind = "play"', 'kind = "plya"')
    path.write_text(text)
    line = 1 + text[: text.index("kind =")].count("\n")
    with pytest.raises(
        BadSession, match=rf"line {line}: clips\[1\].kind .* play, serves, feed, drop, marks"
    ):
        read_session(session.folder)


def test_clips_of_marks_are_found_by_name_or_file(session, tmp_path):
    assert marks_clips(session, None) == (session, [])
    clip = tmp_path / "marks.mp4"
    after, names = marks_clips(session, str(clip))
    assert names == ["marks"]
    assert after.clips[1].kind == "marks"
    for said in (None, "marks", str(clip)):
        same, names = marks_clips(after, said)
        assert (len(same.clips), names) == (2, ["marks"]), "nothing is added twice"
    with pytest.raises(BadSession, match="shows play, not a ball on marks"):
        marks_clips(after, "play")
    with pytest.raises(FootageError, match="no such file"):
        marks_clips(after, "nothing")


def drops():
    bounce = DropBounce(
        1, 1, 4, 0.75, 0.001, np.array([0.3, -0.1]), np.eye(2) * 1e-6, 2.35, 0.02, 2.12, 0.01,
        0.902, 0.004, 0.296, 0.003, 0.229, 0.002,
    )  # fmt: skip
    return Drops((bounce,), 0.92, 0.01, np.eye(2), 2.36, 0.9, 0.01, 0.23, 0.002, 9.8, 0.05, 1.0)


def check():
    mark = Mark(
        MARK_NAMES[2], 3.0, np.array([100.0, 50.0]), marks_m()[2, :2],
        marks_m()[2, :2] + [0.003, -0.004], np.diag([4e-6, 5e-6]),
    )  # fmt: skip
    return MarksCheck((mark,), (), 5.0, 5.0, 3.0, 2, 0.2, "agrees")


def tables(session, made, **results):
    entry = session.clips[0]
    kind = "drop" if "drops" in results else "marks"
    clip = ClipTables(
        replace(entry, kind=kind), made.clip_camera(), made.flights(), Play((), (), ()), (),
        **results,
    )  # fmt: skip
    write_tables(session, [clip], {}, "run")
    return session.folder / "tables"


def test_a_drop_in_the_tables(session, made):
    folder = tables(session, made, drops=drops())
    (row,) = pq.read_table(folder / "drops.parquet").to_pylist()
    assert row["restitution"] == 0.902
    assert (row["drop_id"], row["bounce"], row["contact_id"]) == (1, 1, 4)
    assert (row["fall_m"], row["rise_sd_m"]) == (0.296, 0.002)
    with open(folder / "drops.csv") as stream:
        (text,) = csv.DictReader(stream)
    assert float(text["speed_in_sd_mps"]) == 0.02
    assert pq.read_table(folder / "marks.parquet").num_rows == 0


def test_all_marks_are_in_the_table_also_those_not_seen(session, made):
    folder = tables(session, made, marks=check())
    rows = pq.read_table(folder / "marks.parquet").to_pylist()
    assert [r["mark"] for r in rows] == list(MARK_NAMES)
    assert rows[2]["off_mm"] == pytest.approx(5.0)
    assert rows[2]["cov_yy_m2"] == 5e-6
    assert rows[0]["seen_x_m"] is None
    assert rows[0]["true_x_m"] == pytest.approx(-1.35)


def test_a_check_that_told_nothing_leaves_the_table_empty(session, made):
    folder = tables(session, made, drops=Unknown("no ball fell"))
    assert pq.read_table(folder / "drops.parquet").num_rows == 0
