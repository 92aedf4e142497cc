"""From pictures to a camera: made halls seen by exact cameras."""

from types import SimpleNamespace

import numpy as np
import pytest
from made_scene import BLUE, GREEN, Thing, look_at, shoot, table_things

from halfvolley.camera import (
    CalibrateSettings,
    calibrate,
    calibration,
    intersect_plane,
    project,
    table_error_mm,
)
from halfvolley.camera.accuracy import table_grid
from halfvolley.camera.calibration import no_table
from halfvolley.camera.table import CORNERS_M
from halfvolley.errors import BadInput, NoCamera
from halfvolley.types import Frame

HALF_TURN = np.array([-1.0, -1.0, 1.0])


def corner_misses(found, camera, turned=False):
    """Distance of each corner from the truth [px]."""
    world = CORNERS_M * HALF_TURN if turned else CORNERS_M
    return np.hypot(*(project(found.camera, CORNERS_M) - project(camera, world)).T)


@pytest.mark.parametrize(("view", "turned"), [("side", False), ("end", False), ("corner", True)])
def test_table_is_found_to_a_tenth_of_a_pixel(view, turned, request):
    camera, frames = request.getfixturevalue(view)
    found = calibrate(frames)
    misses = corner_misses(found, camera, turned)
    assert np.median(misses) < 0.3 and misses.max() < 0.6
    at = table_grid()
    seen = project(camera, at * HALF_TURN if turned else at)
    off = np.hypot(*(intersect_plane(found.camera, seen, 0.0) - at)[:, :2].T)
    assert 1e3 * np.median(off) < 3.0
    assert np.median(table_error_mm(found.camera)) < 8.0
    # a place on the table is known about as well as claimed
    assert np.sqrt(np.mean((1e3 * off / table_error_mm(found.camera).ravel()) ** 2)) < 2.0
    assert found.source == "automatic" and found.residual_px < 0.3


def test_it_is_the_same_every_time(side):
    _, frames = side
    one, other = calibrate(frames), calibrate(frames)
    assert np.array_equal(one.camera.R, other.camera.R)
    assert one.camera.f_px == other.camera.f_px


def test_one_picture_will_do(side):
    camera, frames = side
    assert corner_misses(calibrate(frames[:1]), camera).max() < 1.0


def test_which_end_is_a(side, end):
    camera, frames = side
    a = np.array([[-1.37, 0.0, 0.0]])
    left = project(calibrate(frames).camera, a)[0, 0]
    right = project(calibrate(frames, end_a="right").camera, a)[0, 0]
    assert left < 400 < right
    # behind an end the near one is A, unless it is said otherwise
    camera, frames = end
    near = calibrate(frames).camera
    far = calibrate(frames, end_a="far").camera
    assert near.centre_m[0] < -3.0 and far.centre_m[0] > 3.0
    assert corner_misses(calibrate(frames, end_a="near"), camera).max() < 0.6
    with pytest.raises(BadInput, match="left, right, near or far"):
        calibrate(frames, end_a="north")


def test_two_tables(corner):
    _, frames = corner
    first = calibrate(frames)
    assert first.tables == 2 and any("2 tables fit" in w for w in first.warnings)
    second = calibrate(frames, table=2)
    apart = project(first.camera, np.zeros((1, 3))) - project(second.camera, np.zeros((1, 3)))
    assert np.hypot(*apart[0]) > 60
    with pytest.raises(BadInput, match="table 3 was asked for"):
        calibrate(frames, table=3)


def test_a_table_that_mirrors_a_poster_is_found(monkeypatch):
    """Seen low, an end of the table shows the colour of what hangs behind it."""
    camera = look_at((1280, 720), 1100, (0.3, -4.6, 1.1), (0.0, 0.0, 0.2))
    mirrored = [
        Thing((0.75, y, 0.0005), (0.6, 0.0, 0.0), (0.0, 0.73, 0.0), (0.16, 0.06, 0.01))
        for y in (-0.74, 0.01)
    ]
    frames = shoot(camera, [*table_things(GREEN), *mirrored], people=0, pictures=1)
    assert corner_misses(calibrate(frames), camera).max() < 0.6
    monkeypatch.setattr(calibration, "MIRRORED_SHARE", 0.5)
    with pytest.raises(NoCamera):
        calibrate(frames)


def test_another_court_is_no_table(no_table):
    with pytest.raises(NoCamera, match="--corners"):
        calibrate(no_table)


def test_lines_without_ends_are_no_table():
    """Far side of a table and joints of a floor: both long, and nothing across."""
    share = np.array([0.9, 0.7, 0.3, 0.3, 0.8, 0.3])
    floor = SimpleNamespace(used=(286, 210, 6, 8, 230, 5), residual_mm=6.0, residual_px=0.2)
    assert "end lines" in no_table(floor, share, 5.6, CalibrateSettings())
    table = SimpleNamespace(used=(700, 495, 125, 80, 573, 50), residual_mm=3.7, residual_px=0.1)
    assert no_table(table, share, 5.6, CalibrateSettings()) == ""


def test_an_empty_picture_is_no_table():
    grey = np.full((360, 640), 90, np.uint8)
    half = np.full((180, 320), 128, np.uint8)
    with pytest.raises(NoCamera, match="no table was found in the picture"):
        calibrate([Frame(0, 0.0, grey, half, half)])
    with pytest.raises(NoCamera, match="no picture"):
        calibrate([])


def test_first_view_without_a_table_is_passed_over(side):
    camera, frames = side
    title = np.full_like(frames[0].luma, 40)
    title[150:300, 200:600] = 200
    black = Frame(0, 0.0, title, frames[0].cb, frames[0].cr)
    later = [Frame(i + 1, i + 1.0, f.luma, f.cb, f.cr) for i, f in enumerate(frames)]
    found = calibrate([black, *later])
    assert found.t_s == 1.0 and any("first picture shows no table" in w for w in found.warnings)
    assert corner_misses(found, camera).max() < 0.6


def test_corners_by_hand_are_refined(side):
    camera, frames = side
    rng = np.random.default_rng(1)
    given = project(camera, CORNERS_M) + rng.normal(0, 4.0, (4, 2))
    found = calibrate(frames, corners_px=given)
    assert found.source == "corners" and found.tables == 0
    assert (
        corner_misses(found, camera).max() < 0.6 < np.abs(given - project(camera, CORNERS_M)).max()
    )
    # the order says which end is A
    other = calibrate(frames, corners_px=np.roll(given, 2, axis=0))
    assert corner_misses(other, camera, turned=True).max() < 0.6


def test_table_cut_off_needs_corners_outside_the_picture():
    camera = look_at((640, 360), 620, (0.1, -3.0, 1.6), (0.8, 0.2, 0))
    frames = shoot(camera, table_things(BLUE), people=0, pictures=1)
    corners = project(camera, CORNERS_M)
    assert (corners[:2, 0] < 0).all()
    found = calibrate(frames, corners_px=corners + np.array([[3, -2], [-2, 3], [2, 2], [-3, 1]]))
    assert any("cut off: 2 of its 4 corners" in w for w in found.warnings)
    assert corner_misses(found, camera)[2:].max() < 0.5
    assert corner_misses(found, camera).max() < 6.0


def test_corners_without_lines_are_taken_as_they_are(no_table, side):
    camera, _ = side
    given = project(camera, CORNERS_M) * 0.8
    found = calibrate(no_table, corners_px=given)
    assert any("four points alone" in w for w in found.warnings)
    assert np.median(table_error_mm(found.camera)) > 5.0
    # without distortion the same corners can only be met nearly
    assert np.abs(project(found.camera, CORNERS_M) - given).max() < 6.0


def wrong_corners():
    good = np.array([[100.0, 300.0], [200.0, 150.0], [500.0, 160.0], [560.0, 320.0]])
    return [
        (good[:3], "four pairs"),
        ("here", "four pairs"),
        (np.where(np.arange(8).reshape(4, 2) == 5, np.nan, good), "corner 3 is not a number"),
        (good[[1, 0, 3, 2]], "anticlockwise .* 100,300 200,150 500,160 560,320"),
        (good[[0, 2, 1, 3]], "cross; try 100,300 200,150 500,160 560,320"),
        (np.array([[100, 100], [200, 200], [300, 300], [100, 400]]), "1, 2 and 3 lie on one line"),
        (np.array([[100, 100], [600, 120], [350, 200], [300, 600]]), "corner 3 lies inside"),
        (good[[0, 0, 2, 3]], "corners 1 and 2 are the same place"),
        (good + np.array([[1e5, 0], [0, 0], [0, 0], [0, 0]]), "corner 1 lies more than three"),
    ]


@pytest.mark.parametrize(("corners", "words"), wrong_corners())
def test_impossible_corners_are_told_in_one_sentence(side, corners, words):
    _, frames = side
    with pytest.raises(BadInput, match=words) as caught:
        calibrate(frames, corners_px=corners)
    assert "\n" not in str(caught.value)


def test_corners_that_begin_with_a_long_side_are_refused(side):
    camera, frames = side
    with pytest.raises(BadInput, match="long side"):
        calibrate(frames, corners_px=np.roll(project(camera, CORNERS_M), 1, axis=0))


def test_low_view_is_called_weak():
    camera = look_at((800, 450), 700, (0.3, -4.5, 0.4), (0, 0, 0))
    found = calibrate(shoot(camera, table_things(BLUE), people=0, pictures=1, noise=0.002))
    assert any("5 degrees down" in w for w in found.warnings)
    assert corner_misses(found, camera).max() < 2.0
