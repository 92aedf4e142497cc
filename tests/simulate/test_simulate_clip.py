"""Whole clips: files that can be read, truth that fits them, and the special ones."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from halfvolley.camera.projection import project
from halfvolley.errors import BadInput, StorageError
from halfvolley.simulate import (
    ClipSettings,
    Cut,
    make_chapters,
    make_clip,
    prepare,
    random_scene,
    truth_path,
)
from halfvolley.simulate import variants as odd
from halfvolley.simulate.scene import VIEWS, random_rig, resting_camera, table_corners
from halfvolley.simulate.truth import FORMAT
from halfvolley.video import FrameReader, probe

QUICK = ClipSettings(spp=2)
SILENT = ClipSettings(spp=2, sound=False)


@pytest.fixture(scope="module")
def clip(scene, tmp_path_factory):
    path = tmp_path_factory.mktemp("made") / "side.mp4"
    # coded almost without loss: the usual quality would wipe out a ball two pixels wide
    fine = replace(scene, rig=replace(scene.rig, quality_crf=5))
    return make_clip(path, fine, np.random.default_rng(7), 1.5, QUICK)


def planes(take):
    return [(p.luma, p.cb, p.cr) for p in take.pictures()]


def test_the_file_has_the_stamps_of_the_truth(clip):
    info = probe(clip.path)
    assert info.size_px == clip.scene.rig.size_px
    assert info.has_audio
    assert len(info.pts_s) == 90
    assert np.abs(info.pts_s - clip.pts_s).max() < 1e-9


def test_the_ball_can_be_seen_in_the_decoded_picture(clip):
    """Where the truth says ball, the picture differs from the clip's median."""
    luma = np.stack([f.luma.copy() for f in FrameReader(clip.path)]).astype(float)
    usual = np.median(luma, axis=0)
    at, beside = [], []
    for frame, ball in zip(luma, clip.balls, strict=True):
        if ball is None or ball.visible < 0.95 or ball.contrast < 60 or ball.state != "flight":
            continue
        u, v = np.round(ball.uv_px).astype(int)
        at.append(np.abs(frame - usual)[v - 1 : v + 2, u - 1 : u + 2].max())
        beside.append(np.abs(frame - usual)[v - 12 : v - 9, u - 1 : u + 2].max())
    assert len(at) > 10
    assert np.median(at) > 4 * np.median(beside)
    assert np.median(at) > 5


def test_truth_file_holds_what_its_readers_need(clip):
    made = json.loads(truth_path(clip.path).read_text())
    assert made["format"] == FORMAT
    assert set(made) >= {
        "conventions", "clip", "time", "camera", "landmarks_first_frame", "ball", "frames",
        "events", "strokes", "rallies",
    }  # fmt: skip
    c = made["clip"]
    assert (c["width"], c["height"], c["frames"]) == (320, 200, 90)
    assert c["file"] == clip.path.name
    assert len(c["pts"]) == len(made["frames"]) == 90
    assert {"fx", "fy", "cx", "cy", "k1", "k2", "R", "t", "readout_s", "exposure_s"} <= set(
        made["camera"]
    )
    assert {"corner_A_left", "corner_A_right", "corner_B_left", "corner_B_right", "post_plus_y",
            "post_minus_y"} == set(made["landmarks_first_frame"])  # fmt: skip
    for i, f in enumerate(made["frames"]):
        assert f["i"] == i
        b = f["ball"]
        if b is None:
            continue
        assert {"id", "state", "in_frame", "visible", "t", "pts_t", "xyz", "vel", "spin", "u", "v",
                "radius_px", "blur_px", "uv_start", "uv_end", "contrast"} == set(b)  # fmt: skip
        assert b["state"] in ("hand", "toss", "flight", "dead", "rolling", "rest")
        assert 0 <= b["visible"] <= 1
        assert 0 <= b["contrast"] <= 255
    for e in made["events"]:
        assert {"type", "t", "pts_t", "in_clip", "xyz", "centre", "v_before", "v_after",
                "spin_before", "spin_after", "rally"} <= set(e)  # fmt: skip
    for s in made["strokes"]:
        assert {"rally", "n", "player", "t", "pts_t", "kind", "speed", "vel", "spin"} <= set(s)
    for r in made["rallies"]:
        assert {"id", "server", "t_serve", "t_end", "outcome", "events"} <= set(r)
        assert all(made["events"][i]["rally"] == r["id"] for i in r["events"])


def test_landmarks_and_ball_project_as_the_file_says(clip):
    """Only with what is in the file, as a reader without this package would."""
    made = json.loads(truth_path(clip.path).read_text())
    camera = made["camera"]

    def seen(xyz, R, t):
        x, y, z = R @ np.array(xyz) + t
        x, y = x / z, y / z
        s = x * x + y * y
        g = 1 + camera["k1"] * s + camera["k2"] * s * s
        return np.array([camera["fx"] * g * x + camera["cx"], camera["fy"] * g * y + camera["cy"]])

    R, t = np.array(camera["R"]), np.array(camera["t"])
    for mark in made["landmarks_first_frame"].values():
        assert np.abs(seen(mark["xyz"], R, t) - mark["uv"]).max() < 0.002
    for f in made["frames"][::7]:
        R, t = cv2.Rodrigues(np.array(f["rvec"]))[0], np.array(f["tvec"])
        if f["ball"] is not None:
            assert (
                np.abs(seen(f["ball"]["xyz"], R, t) - [f["ball"]["u"], f["ball"]["v"]]).max() < 0.02
            )


def test_the_same_seed_gives_the_same_bits_and_another_does_not(scene):
    a, b, c = (
        planes(prepare(scene, np.random.default_rng(seed), 0.1, SILENT)) for seed in (1, 1, 2)
    )
    assert len(a) == 6
    assert all(
        np.array_equal(x, y) for p, q in zip(a, b, strict=True) for x, y in zip(p, q, strict=True)
    )
    assert not np.array_equal(a[0][0], c[0][0])


def test_events_in_clip_are_those_between_first_and_last_frame(clip):
    inside = clip.events_in_clip()
    assert 0 < len(inside) < len(clip.game.events)
    made = json.loads(truth_path(clip.path).read_text())
    assert sum(e["in_clip"] for e in made["events"]) == len(inside)


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_sees_the_whole_table(view):
    for seed in range(12):
        rig = random_rig(np.random.default_rng(seed), view)
        uv = project(resting_camera(rig), table_corners())
        assert uv.min() > 0
        assert uv[:, 0].max() < rig.size_px[0]
        assert uv[:, 1].max() < rig.size_px[1]
        assert rig.readout_s <= 1 / rig.fps


def test_uneven_stamps_are_kept(scene, tmp_path):
    told = []
    made = make_clip(
        tmp_path / "vfr.mp4", odd.uneven(scene, 0.4, 0.2), np.random.default_rng(3), 1.0, SILENT,
        progress=told.append,
    )  # fmt: skip
    assert told == sorted(told)
    assert told[-1] == 1.0
    info = probe(made.path)
    assert np.abs(info.pts_s - made.pts_s).max() < 1e-9
    assert 30 < len(made.pts_s) < 58
    assert np.ptp(np.diff(made.pts_s)) > 0.01


def test_no_ball_ever(scene):
    take = prepare(scene, np.random.default_rng(3), 0.1, replace(SILENT, play=None))
    assert all(p.ball is None and not p.others for p in take.pictures())
    assert take.stages[0].figures


def test_ten_frames_a_second(scene):
    slow = odd.at_rate(scene, 10.0)
    take = prepare(slow, np.random.default_rng(3), 0.5, SILENT)
    assert np.allclose(np.diff(take.pts_s), 0.1)


def test_a_bump_a_zoom_and_a_hand_move_the_table_as_the_truth_says(scene):
    for moved, least in (
        (odd.bumped(scene, 0.05), 2.0), (odd.zoomed(scene, 0.05), 5.0),
        (odd.hand_held(scene, 0.01), 0.3), (odd.stabilised(scene), 0.5),
    ):  # fmt: skip
        take = prepare(moved, np.random.default_rng(3), 0.1, replace(SILENT, with_players=False))
        size = scene.rig.size_px
        uv = [project(v.camera(size), table_corners()) for v in take.views]
        assert np.abs(uv[-1] - uv[0]).max() > least
        # the white end line is where each frame's camera puts it
        for view, picture in zip(take.views, take.pictures(), strict=True):
            line = np.array([[-1.36, y, 0.0] for y in np.linspace(-0.6, 0.6, 15)])
            inside = line + np.array([0.12, 0.0, 0.0])
            level = []
            for points in (line, inside):
                u, v = np.round(project(view.camera(size), points)).astype(int).T
                level.append(np.median(picture.luma[v, u].astype(float)))
            assert level[0] > level[1] + 8


def test_a_cut_changes_the_camera_and_nothing_else(scene, tmp_path):
    other = random_rig(np.random.default_rng(9), "corner", scene.rig.size_px)
    cut = Cut(0.1, replace(other, fps=scene.rig.fps))
    made = make_clip(tmp_path / "cut.mp4", scene, np.random.default_rng(3), 0.2, SILENT, cut=cut)
    assert made.cut_at == 6
    before, after = made.views[5], made.views[6]
    assert np.linalg.norm(before.centre_m - after.centre_m) > 0.5
    with pytest.raises(BadInput, match="one size"):
        prepare(scene, np.random.default_rng(3), 0.2, SILENT,
                cut=Cut(0.1, replace(other, size_px=(100, 80))))  # fmt: skip


def test_chapters_go_on_where_the_last_one_ended(scene, tmp_path):
    a, b = make_chapters(
        [tmp_path / "a.mp4", tmp_path / "b.mp4"], scene, np.random.default_rng(3), 0.25, SILENT
    )
    assert a.pts_s[0] == b.pts_s[0] == 0.0
    assert b.t_offset_s == pytest.approx(a.t_offset_s + 0.25)
    assert a.game is b.game or len(a.game.events) == len(b.game.events)
    step = b.balls[0].t_s - a.balls[-1].t_s
    assert 0 < step < 0.03
    assert np.linalg.norm(b.balls[0].xyz_m - a.balls[-1].xyz_m) < 30 * step + 1e-6


def test_a_neighbour_has_a_ball_of_its_own(scene):
    rng = np.random.default_rng(5)
    two = odd.with_neighbour(scene, rng)
    take = prepare(two, rng, 0.4, SILENT)
    others = [p.others for p in take.pictures()]
    assert all(others)
    y = np.array([o[0].xyz_m[1] for o in others])
    assert np.all(np.abs(y) > 1.0)
    empty = prepare(odd.with_neighbour(scene, rng, playing=False), rng, 0.05, SILENT)
    assert len(empty.stages) == 1


def test_a_table_that_is_cut_off_is_cut_off(scene):
    uv = project(resting_camera(odd.cut_off(scene).rig), table_corners())
    w = scene.rig.size_px[0]
    assert ((uv[:, 0] < 0) | (uv[:, 0] > w - 1)).any()
    assert ((uv[:, 0] > 0) & (uv[:, 0] < w - 1)).any()


def test_drop_and_marks_can_be_filmed(scene):
    rng = np.random.default_rng(5)
    drop = odd.drop_game(scene.physics, scene.hall, rng, np.array([[0.3, 0.1]]))
    alone = replace(SILENT, with_players=False)
    take = prepare(scene, rng, 1.2, alone, drop)
    heights = [p.ball.xyz_m[2] for p in take.pictures()]
    assert max(heights) > 0.3
    assert min(heights) < 0.03
    marks = odd.marks_game(scene.physics)
    take = prepare(odd.at_rate(scene, 10), rng, 1.0, alone, marks)
    states = [p.ball.state for p in take.pictures()]
    assert states[0] == "rest"
    assert "hand" in states


def test_bad_wishes_are_refused_in_one_sentence(scene, tmp_path):
    rng = np.random.default_rng(0)
    with pytest.raises(BadInput, match="no view"):
        random_scene(rng, "ceiling")
    with pytest.raises(BadInput, match="no frame"):
        prepare(scene, rng, 0.001, SILENT)
    with pytest.raises(BadInput):
        make_clip(tmp_path / "clip.txt", scene, rng, 0.1, SILENT)
    with pytest.raises(StorageError):
        make_clip(tmp_path / "nowhere" / "clip.mp4", scene, rng, 0.1, SILENT)
    with pytest.raises(BadInput, match="drop"):
        odd.drop_game(scene.physics, scene.hall, rng, np.zeros((0, 2)))
