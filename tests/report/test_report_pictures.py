"""What is drawn on frames lies where it belongs."""

import cv2
import numpy as np
import pytest

from halfvolley.camera import project
from halfvolley.report.draw import disc, polyline, text, text_size
from halfvolley.report.overlay import MARK_S, Painter
from halfvolley.report.picture import draw_model, encode_jpeg, write_picture
from halfvolley.session.pipeline import ClipResult
from halfvolley.session.recording import Recording
from halfvolley.session.schema import read_session
from halfvolley.session.stages import Scan


def blank(height=90, width=160):
    return np.zeros((height, width, 3), np.uint8)


def centre(picture):
    v, u = np.nonzero(picture.sum(axis=2))
    weight = picture.sum(axis=2)[v, u].astype(float)
    return np.average(u, weights=weight), np.average(v, weights=weight)


@pytest.mark.parametrize("place", [(80.0, 45.0), (80.5, 44.75), (30.25, 70.5)])
def test_a_disc_lies_at_its_sub_pixel_place(place):
    picture = blank()
    disc(picture, np.array(place), 6.0, (255, 255, 255))
    assert centre(picture) == pytest.approx(place, abs=0.1)


def test_a_line_goes_through_its_points_and_parts_where_they_are_unknown():
    picture = blank()
    points = np.array([[10.0, 20.0], [50.0, 20.0], [np.nan, np.nan], [90.0, 20.0], [150.0, 20.0]])
    polyline(picture, points, (255, 255, 255))
    row = picture[20, :, 0] > 100
    assert row[12:48].all()
    assert not row[55:88].any()
    assert row[92:148].all()
    assert not picture[30:].any()


def test_points_far_outside_do_no_harm():
    picture = blank()
    polyline(picture, np.array([[1e12, 5.0], [np.inf, 0.0], [-1e9, -1e9]]), (255, 0, 0))
    disc(picture, np.array([1e12, 5.0]), 6.0, (255, 255, 255))
    disc(picture, np.array([np.nan, 5.0]), 6.0, (255, 255, 255))
    assert not picture.any()


def test_text_is_written_in_its_box_and_cut_at_the_rim():
    picture = blank()
    text(picture, "9.8 m/s", (20, 30), 14, (255, 255, 255))
    width, height = text_size("9.8 m/s", 14)
    v, u = np.nonzero(picture[..., 0])
    assert 20 <= u.min() and u.max() < 20 + width
    assert 30 <= v.min() and v.max() < 30 + height
    text(picture, "out", (155, 85), 14, (255, 255, 255))
    text(picture, "out", (-500, -500), 14, (255, 255, 255))


def test_the_model_is_drawn_on_the_table(made):
    camera = made.camera((640, 360))
    picture = np.full((360, 640, 3), 60, np.uint8)
    drawn = draw_model(picture, camera, "fits")
    assert np.all(picture == 60), "the frame itself is not changed"
    changed = np.any(drawn != 60, axis=2)
    edge = project(camera, np.array([[x, 0.7625, 0.0] for x in np.linspace(-1.3, 1.3, 30)]))
    hit = [changed[round(v), round(u)] for u, v in edge]
    assert np.mean(hit) > 0.9
    middle = project(camera, np.array([[0.7, 0.4, 0.0]]))[0]
    assert not changed[round(middle[1]), round(middle[0])], "the surface stays free"


def test_pictures_are_written_as_they_are(tmp_path):
    rng = np.random.default_rng(0)
    picture = rng.integers(0, 255, (36, 64, 3), np.uint8)
    write_picture(tmp_path / "a.png", picture)
    np.testing.assert_array_equal(cv2.imread(str(tmp_path / "a.png"))[:, :, ::-1], picture)
    flat = np.full((360, 640, 3), (200, 120, 40), np.uint8)
    back = cv2.imdecode(np.frombuffer(encode_jpeg(flat, 320), np.uint8), cv2.IMREAD_COLOR)
    assert back.shape == (180, 320, 3)
    np.testing.assert_allclose(back[90, 160, ::-1], (200, 120, 40), atol=4)


@pytest.fixture
def painter(made, tmp_path):
    """A bounce at 1.2 s at (0.7, -0.3) and a flight that ends there."""
    from halfvolley.match import find_play

    (tmp_path / "session.toml").write_text('[[clips]]\npath = "a.mp4"\n')
    session = read_session(tmp_path)
    size = (640, 360)
    contacts = [
        made.contact("racket", 0, 0.5, -1.6), made.contact("table", 1, 0.7, -0.8),
        made.contact("table", 2, 1.2, 0.7),
    ]  # fmt: skip
    flights = made.flights(contacts, [made.arc(t0_s=0.8, t1_s=1.2)])
    scan = Scan(made.detections(), made.clip_camera(size), ())
    recording = Recording((made.info(size_px=size),), np.zeros(1))
    play = find_play(flights)
    result = ClipResult(session, session.clips[0], recording, None, scan, flights, play, None, None)
    return Painter(result)


def painted(painter, t_s):
    picture = np.full((360, 640, 3), 90, np.uint8)
    painter.paint(picture, t_s)
    return np.any(np.abs(picture.astype(int) - 90) > 20, axis=2)


def test_a_bounce_is_marked_for_a_while(painter, made):
    u, v = np.round(project(made.camera((640, 360)), np.array([[0.7, -0.3, 0.0]]))[0]).astype(int)
    near = (slice(v - 12, v + 13), slice(u - 25, u + 26))
    before, during = painted(painter, 0.75)[near], painted(painter, 1.3)[near]
    after = painted(painter, 1.2 + MARK_S + 0.1)[near]
    assert not before.any()
    assert during.sum() > 20
    assert not after.any()


def test_the_trail_follows_the_flight(painter):
    def lit(t_s):
        return painted(painter, t_s)[100:, :].sum()  # below the map

    assert lit(1.0) > lit(0.1)
    assert not painted(painter, 9.0)[120:, :].any()


def test_the_map_shows_the_bounces_of_the_rally(painter):
    def board(t_s):
        picture = np.full((360, 640, 3), 90, np.uint8)
        painter.paint(picture, t_s)
        return picture[:92, :150].astype(int)  # the map's corner of the frame

    before, first, both = board(0.3), board(0.9), board(1.3)
    left, right = np.s_[:, :75], np.s_[:, 75:]
    assert np.abs(first - before)[left].max() > 60
    assert np.abs(first - before)[right].max() == 0
    assert np.abs(both - first)[right].max() > 60
