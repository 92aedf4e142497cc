"""The tables: columns, nulls, covariances, and that a half-written set is never a result."""

import csv
import json
import math

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from halfvolley.errors import BadSession, StorageError
from halfvolley.match import find_play
from halfvolley.session import files as session_files
from halfvolley.session.columns import COLUMNS, CSV_TOO
from halfvolley.session.manifest import read_manifest
from halfvolley.session.rows import speed, topspin_revps
from halfvolley.session.schema import read_session
from halfvolley.session.tables import ClipTables, write_tables

# design: these columns are fixed because others read them
CONTACTS = (
    "clip, contact_id, rally_id, kind, t_s, t_sd_s, x_m, y_m, z_m, cov_xx_m2, cov_xy_m2, "
    "cov_yy_m2, side, player, speed_in_mps, speed_in_sd_mps, speed_out_mps, speed_out_sd_mps, "
    "spin_in_revps, spin_in_sd_revps, spin_out_revps, spin_out_sd_revps, probability"
).split(", ")


@pytest.fixture
def session(tmp_path):
    (tmp_path / "session.toml").write_text(
        '[players]\nA = "Ada"\n[[clips]]\npath = "a.mp4"\n[[clips]]\npath = "b.mp4"\n'
    )
    return read_session(tmp_path)


@pytest.fixture
def rally(made):
    """A serve by A and what came of it."""
    nan = np.full(3, np.nan)
    return [
        made.contact(
            "racket", 0, 1.0, -1.6, v_in_mps=nan, omega_in_radps=nan,
            v_in_cov=np.full((3, 3), np.nan), omega_in_cov=np.full((3, 3), np.nan),
        ),
        made.contact("table", 1, 1.2, -0.8),
        made.contact("table", 2, 1.5, 0.7),
        made.contact("floor", 3, 2.0, 3.0, probability=0.4),
    ]  # fmt: skip


def write(session, made, clips, failed=None, run="run1"):
    made_clips = [
        ClipTables(entry, made.clip_camera(), flights, find_play(flights), ("a warning",))
        for entry, flights in clips
    ]
    write_tables(session, made_clips, failed or {}, run)
    return session.folder / "tables"


def test_contacts_have_exactly_the_fixed_columns(session, made, rally):
    assert [c.name for c in COLUMNS["contacts"]] == CONTACTS
    tables = write(session, made, [(session.clips[0], made.flights(rally))])
    assert pq.read_table(tables / "contacts.parquet").column_names == CONTACTS
    with (tables / "contacts.csv").open() as stream:
        assert next(csv.reader(stream)) == CONTACTS


def test_contact_rows(session, made, rally):
    tables = write(session, made, [(session.clips[0], made.flights(rally))])
    rows = pq.read_table(tables / "contacts.parquet").to_pylist()
    assert [r["contact_id"] for r in rows] == [0, 1, 2], "the doubtful one is not reported"
    racket, own, other = rows
    assert (racket["speed_in_mps"], racket["spin_in_revps"], racket["side"]) == (None, None, None)
    assert (racket["player"], racket["z_m"]) == ("A", 0.02)
    assert (own["side"], own["player"], own["rally_id"]) == ("A", "A", 1)
    assert (other["side"], other["x_m"], other["y_m"], other["z_m"]) == ("B", 0.7, -0.3, 0.0)
    assert (other["cov_xx_m2"], other["cov_xy_m2"], other["cov_yy_m2"]) == (25e-6, 4e-6, 16e-6)
    assert other["speed_in_mps"] == pytest.approx(math.sqrt(40.0))
    assert other["speed_in_sd_mps"] == pytest.approx(0.1)
    assert other["spin_out_revps"] == pytest.approx(25.0)


def test_no_nan_anywhere(session, made, rally):
    bad = made.contact("net", 4, 1.4, 0.0, v_in_mps=np.array([np.nan, 1, 1]), t_sd_s=np.inf)
    arc = made.arc(residual_rms=np.nan)
    tables = write(session, made, [(session.clips[0], made.flights([*rally, bad], [arc]))])
    for name in COLUMNS:
        table = pq.read_table(tables / f"{name}.parquet")
        for column in table.columns:
            values = [v for v in column.to_pylist() if isinstance(v, float)]
            assert all(math.isfinite(v) for v in values)
    text = (tables / "contacts.csv").read_text().lower()
    assert "nan" not in text
    assert "inf" not in text


def test_parquet_and_csv_say_the_same(session, made, rally):
    tables = write(session, made, [(session.clips[0], made.flights(rally, [made.arc()]))])
    for name in CSV_TOO:
        parquet = pd.read_parquet(tables / f"{name}.parquet")
        text = pd.read_csv(tables / f"{name}.csv")
        assert list(parquet.columns) == list(text.columns)
        assert len(parquet) == len(text)
        for column in parquet:
            one, two = parquet[column], text[column]
            assert list(one.isna()) == list(two.isna())
            assert list(one.dropna()) == list(two.dropna())
    assert not (tables / "detections.csv").exists()


def test_columns_carry_unit_and_meaning(session, made, rally):
    tables = write(session, made, [(session.clips[0], made.flights(rally))])
    schema = pq.read_schema(tables / "strokes.parquet")
    assert schema.field("speed_mps").metadata[b"unit"] == b"m/s"
    assert b"velocity" in schema.field("cov_vx_vz").metadata[b"meaning"]
    assert schema.metadata[b"schema_version"] == b"2"


def test_arcs_have_the_whole_covariance(session, made, rally):
    arc = made.arc()
    tables = write(session, made, [(session.clips[0], made.flights(rally, [arc]))])
    (row,) = pq.read_table(tables / "arcs.parquet").to_pylist()
    names = ("x", "y", "z", "vx", "vy", "vz", "wx", "wy", "wz")
    back = np.array(
        [[row[f"cov_{names[min(i, j)]}_{names[max(i, j)]}"] for j in range(9)] for i in range(9)]
    )
    np.testing.assert_array_equal(back, np.triu(arc.cov) + np.triu(arc.cov, 1).T)
    assert (row["contact_in"], row["contact_out"], row["n_detections"]) == (None, 0, 3)
    assert row["rally_id"] == 1


def test_strokes_and_rallies(session, made, rally):
    tables = write(session, made, [(session.clips[0], made.flights(rally))])
    (stroke,) = pq.read_table(tables / "strokes.parquet").to_pylist()
    assert (stroke["number"], stroke["player"], stroke["player_name"]) == (1, "A", "Ada")
    assert stroke["bounce_id"] == 2
    assert stroke["vx_mps"] == 5.0
    assert stroke["spin_y_revps"] == pytest.approx(25.0)
    assert stroke["spin_z_revps"] is None, "500 rad/s of doubt is no measurement"
    assert stroke["cov_spin_y_z_revps2"] is None
    assert stroke["cov_spin_x_y_revps2"] == 0.0
    (row,) = pq.read_table(tables / "rallies.parquet").to_pylist()
    assert (row["server"], row["server_name"], row["t_start_s"]) == ("A", "Ada", 1.0)
    assert (row["t_end_s"], row["n_strokes"], row["n_bounces"]) == (None, 1, 2)


def test_detections_know_their_flight(session, made):
    flights = made.flights((), [made.arc(7, rows=(1, 3), contact_out=-1)])
    tables = write(session, made, [(session.clips[0], flights), (session.clips[1], flights)])
    table = pq.read_table(tables / "detections.parquet").to_pylist()
    assert [r["arc_id"] for r in table] == [None, 7, None, 7, None, None] * 2
    assert [r["clip"] for r in table] == ["a"] * 6 + ["b"] * 6
    assert table[1]["source"] == "classical"
    assert (table[1]["cov_uu_px2"], table[1]["cov_vv_px2"]) == (0.09, 0.04)


def test_a_flight_that_only_touches_doubtful_things_is_left_out(session, made):
    sure, doubtful = made.contact(contact_id=0), made.contact(contact_id=5, probability=0.3)
    arcs = [
        made.arc(0, rows=(1,), contact_in=-1, contact_out=5),
        made.arc(1, rows=(2,), contact_in=5, contact_out=0),
        made.arc(2, rows=(3,), contact_in=-1, contact_out=-1),
    ]
    tables = write(session, made, [(session.clips[0], made.flights([sure, doubtful], arcs))])
    rows = pq.read_table(tables / "arcs.parquet").to_pylist()
    assert [(r["arc_id"], r["contact_in"], r["contact_out"]) for r in rows] == [
        (1, None, 0), (2, None, None)
    ]  # fmt: skip
    seen = pq.read_table(tables / "detections.parquet").to_pylist()
    assert [r["arc_id"] for r in seen] == [None, None, 1, 2, None, None]


def test_camera_as_opencv_uses_it(session, made):
    import cv2

    tables = write(session, made, [(session.clips[0], made.flights())])
    camera = json.loads((tables / "camera.json").read_text())["clips"]["a"]
    rvec = cv2.Rodrigues(np.array(camera["R"]))[0]
    corner = np.array([[1.37, 0.7625, 0.0]])
    uv, _ = cv2.projectPoints(
        corner, rvec, np.array(camera["t"]), np.array(camera["K"]),
        np.array([*camera["distortion"], 0.0, 0.0]),
    )  # fmt: skip
    from halfvolley.camera import project

    np.testing.assert_allclose(uv.reshape(1, 2), project(made.camera(), corner), atol=1e-9)
    assert (camera["readout_s"], camera["exposure_s"]) == (0.011, 0.002)
    assert camera["sd"]["readout_s"] == 0.001
    assert camera["sd"]["f"] == pytest.approx(1e-3)


def test_no_ball_gives_empty_tables_with_all_columns(session, made):
    nothing = made.flights(detections=made.detections(0))
    tables = write(session, made, [(session.clips[0], nothing)])
    for name, columns in COLUMNS.items():
        table = pq.read_table(tables / f"{name}.parquet")
        assert table.num_rows == 0
        assert table.column_names == [c.name for c in columns]
    assert read_manifest(session.folder) is not None


def test_columns_that_are_never_null_are_not(session, made, rally):
    arcs = [made.arc()]
    tables = write(session, made, [(session.clips[0], made.flights(rally, arcs))])
    for name, columns in COLUMNS.items():
        table = pq.read_table(tables / f"{name}.parquet")
        for column in columns:
            if not column.null:
                assert table.column(column.name).null_count == 0, (name, column.name)


def test_the_manifest_names_run_files_and_what_failed(session, made):
    write(session, made, [(session.clips[0], made.flights())], {"b": "no table"}, "run7")
    manifest = read_manifest(session.folder)
    assert manifest["run"] == "run7"
    assert manifest["not_measured"] == {"b": "no table"}
    assert manifest["clips"]["a"]["warnings"] == ["a warning"]
    assert "contacts.csv" in manifest["files"]


@pytest.mark.parametrize("failing", range(10))
def test_a_set_that_was_not_finished_is_no_result(session, made, monkeypatch, failing):
    write(session, made, [(session.clips[0], made.flights())], run="old")
    real, count = session_files.os.replace, iter(range(100))

    def full(source, target):
        if next(count) == failing:
            raise OSError(28, "no space")
        real(source, target)

    monkeypatch.setattr(session_files.os, "replace", full)
    with pytest.raises(StorageError):
        write(session, made, [(session.clips[0], made.flights())], run="new")
    assert read_manifest(session.folder) is None


def test_a_changed_file_is_noticed(session, made):
    tables = write(session, made, [(session.clips[0], made.flights())])
    with (tables / "contacts.csv").open("a") as stream:
        stream.write("x\n")
    assert read_manifest(session.folder) is None


def test_tables_of_a_newer_version_are_refused(session, made):
    tables = write(session, made, [(session.clips[0], made.flights())])
    manifest = json.loads((tables / "manifest.json").read_text())
    (tables / "manifest.json").write_text(json.dumps(manifest | {"schema_version": 99}))
    with pytest.raises(BadSession, match="update halfvolley"):
        read_manifest(session.folder)


@pytest.mark.parametrize("turn", [0.0, 1.0, 2.5, -2.0])
def test_topspin_is_positive_in_every_direction(turn):
    c, s = math.cos(turn), math.sin(turn)
    along, across = np.array([c, s, 0.0]), np.array([-s, c, 0.0])
    v = 7.0 * along + np.array([0.0, 0.0, -1.0])
    omega = 2 * math.pi * (30.0 * across + 4.0 * along + np.array([0.0, 0.0, 9.0]))
    value, sd = topspin_revps(v, 1e-12 * np.eye(3), omega, 4.0 * np.eye(3))
    assert value == pytest.approx(30.0)
    assert sd == pytest.approx(2.0 / (2 * math.pi))
    back, _ = topspin_revps(v, 1e-12 * np.eye(3), -omega, 4.0 * np.eye(3))
    assert back == pytest.approx(-30.0)


def test_sds_agree_with_drawing_many():
    rng = np.random.default_rng(3)
    v, omega = np.array([4.0, 1.0, -1.0]), np.array([60.0, 200.0, -30.0])
    v_cov = np.diag([0.04, 0.09, 0.02]) + 0.01
    omega_cov = np.diag([25.0, 49.0, 16.0]) - 3.0
    vs = rng.multivariate_normal(v, v_cov, 20_000)
    omegas = rng.multivariate_normal(omega, omega_cov, 20_000)
    h = np.hypot(vs[:, 0], vs[:, 1])
    spins = (vs[:, 0] * omegas[:, 1] - vs[:, 1] * omegas[:, 0]) / h / (2 * math.pi)
    value, sd = topspin_revps(v, v_cov, omega, omega_cov)
    assert sd == pytest.approx(np.std(spins), rel=0.03)
    assert value == pytest.approx(np.mean(spins), abs=0.1)
    value, sd = speed(v, v_cov)
    assert sd == pytest.approx(np.std(np.linalg.norm(vs, axis=1)), rel=0.03)


def test_spin_of_a_ball_that_falls_straight_has_no_topspin():
    known = 0.01 * np.eye(3)
    assert topspin_revps(np.array([0.1, 0.0, -3.0]), known, np.ones(3), known) == (None, None)
    assert speed(np.array([0.1, 0.0, -3.0]), known)[0] == pytest.approx(3.00167, abs=1e-5)


def test_a_speed_that_is_hardly_known_is_not_reported():
    assert speed(np.array([2.0, 0.0, 0.0]), 4.0 * np.eye(3)) == (None, None)


def test_the_tables_read_back(session, made, rally):
    from halfvolley.session.read import read_summary

    with pytest.raises(BadSession, match="halfvolley measure"):
        read_summary(session.folder)
    write(session, made, [(session.clips[0], made.flights(rally))], {"b": "no table"})
    summary = read_summary(session.folder)
    (clip,) = summary.clips
    assert summary.not_measured == (("b", "no table"),)
    assert [b.contact_id for b in clip.bounces] == [1, 2]
    assert clip.strokes[0].player_name == "Ada"
    assert clip.rallies[0].n_strokes == 1
    np.testing.assert_allclose(clip.camera.place_m, made.camera().centre_m, atol=1e-12)
