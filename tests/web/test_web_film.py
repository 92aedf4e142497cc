"""Frames for pages, dropped files, and what the Ball screen says, without a browser."""

import asyncio
import io
import os
import shutil
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from halfvolley.errors import BadInput, FootageError
from halfvolley.session.edit import new_session
from halfvolley.session.recording import probe_recording
from halfvolley.types import Detections
from halfvolley.video import iter_frames, to_rgb
from halfvolley.web import upload
from halfvolley.web.ball_data import STILL, TAKEN, Candidates
from halfvolley.web.film import NEAR, TILE_PX, Film, Films, JpegStore
from halfvolley.web.state import session_state


@pytest.fixture
def clip(short_clip):
    return short_clip


def picture(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), float)


@pytest.mark.parametrize("order", [[0, 1, 2, 30, 29, 28, 5], [35, 0, 17, 18, 10]])
def test_each_frame_is_that_frame_in_whatever_order(clip, order):
    film = Film(probe_recording((clip,)), JpegStore())
    true = {f.index: to_rgb(f, film.info).astype(float) for f in iter_frames(clip)}
    for i in order:
        shown = picture(film.jpeg(i, 960))
        errors = [np.abs(shown - true[k]).mean() for k in range(max(0, i - 2), min(36, i + 3))]
        assert np.argmin(errors) == i - max(0, i - 2), "it shows a neighbour"
    assert len(film._recent) <= NEAR


def test_frames_that_are_not_there_are_refused(clip):
    film = Film(probe_recording((clip,)), JpegStore())
    for i in (-1, 36, 10**9):
        with pytest.raises(BadInput, match="no frame"):
            film.jpeg(i, 320)
    with pytest.raises(FootageError):
        Films().of((clip.with_name("gone.mp4"),))


def test_a_large_clip_that_is_being_read_keeps_no_other_one_waiting(clip, tmp_path):
    films, read = Films(), threading.Event()
    large = Path(shutil.copy(clip, tmp_path / "large.mp4"))
    recording, other = (probe_recording((path,)) for path in (large, clip))
    reading = threading.Thread(
        target=films.of, args=((large,), lambda: read.wait(60) and recording)
    )
    reading.start()
    try:
        assert films.of((clip,), lambda: other).recording is other
        assert reading.is_alive()
    finally:
        read.set()
        reading.join()
    assert films.of((large,)).recording is recording, "read once"


@pytest.mark.skipif(os.name == "nt", reason="an empty large file takes its room there")
def test_ten_gigabytes_are_not_read_to_say_how_a_session_stands(tmp_path):
    clip = tmp_path / "large.mp4"
    with clip.open("wb") as file:
        file.truncate(10 << 30)
    session = new_session(tmp_path / "s", [clip])
    start = time.perf_counter()
    state = session_state(session.folder, "s")
    assert time.perf_counter() - start < 1.0, "to read them takes ten times as long"
    assert state.words == "new"


def test_a_strip_shows_the_place_in_its_neighbours(clip):
    film = Film(probe_recording((clip,)), JpegStore())
    strip = picture(film.strip(0, (480.0, 270.0), 96.0, 2))
    assert strip.shape == (TILE_PX, 5 * TILE_PX, 3)
    assert strip[:, : 2 * TILE_PX - 8].max() < 30, "before the first frame there is nothing"
    middle = strip[TILE_PX // 2, 2 * TILE_PX + TILE_PX // 2]
    true = to_rgb(next(iter_frames(clip)), film.info)[270, 480]
    assert np.abs(middle - true).max() < 25


def test_the_store_forgets_what_was_not_asked_for():
    store = JpegStore(kept_bytes=25)
    for name in "abc":
        store.put((name,), b"0123456789")
        store.get(("a",))
    assert store.get(("a",)) and store.get(("c",))
    assert store.get(("b",)) is None


class Dropped:
    """A request with a body."""

    def __init__(self, *parts, length=None):
        self.headers = {} if length is None else {"content-length": str(length)}
        self._parts = parts

    async def stream(self):
        for part in self._parts:
            yield part


def take(folder, name, request):
    return asyncio.run(upload._take(folder / "clips", name, request))


def test_dropped_files_arrive_whole_under_a_safe_name(tmp_path):
    first = take(tmp_path, "../../a <b>.mp4", Dropped(b"12", b"34"))
    assert first.parent == tmp_path / "clips"
    assert first.read_bytes() == b"1234"
    assert first.name == "a _b_.mp4"
    assert take(tmp_path, f"{'x' * 300}.MOV", Dropped(b"5")).name == f"{'x' * 80}.mov"
    assert take(tmp_path, "<>.mkv", Dropped(b"5")).name == "clip.mkv"
    assert take(tmp_path, "../../a <b>.mp4", Dropped(b"5")).name != first.name
    assert first.read_bytes() == b"1234", "the first one is left alone"


@pytest.mark.parametrize("name", ["a.exe", "a.html", "mp4", "...", "a.mp4.sh"])
def test_only_clips_are_taken(tmp_path, name):
    with pytest.raises(BadInput, match="no clip"):
        take(tmp_path, name, Dropped(b"x"))


def test_a_clip_that_does_not_fit_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(upload, "room_bytes", lambda folder: 5)
    for request in (Dropped(b"x", length=6), Dropped(b"123", b"456")):
        with pytest.raises(BadInput, match="does not fit"):
            take(tmp_path, "a.mp4", request)
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_regions_are_weighed_on_the_whole_clip():
    uv = np.array([[10.0, 10.0], [50.0, 50.0], [51.0, 50.0], [90.0, 10.0]])
    n = len(uv)
    detections = Detections(
        np.array([0, 1, 1, 2]), np.array([0.0, 0.1, 0.1, 0.2]), uv, np.tile(np.eye(2), (n, 1, 1)),
        np.full(n, 2.0), np.zeros((n, 2)), np.array([0.9, 0.8, 0.7, 0.6]), np.zeros(n, np.int64),
    )  # fmt: skip
    found = Candidates(detections, np.array([TAKEN, TAKEN, STILL, STILL]), 4)
    square = np.array([[40.0, 40.0], [60.0, 40.0], [60.0, 60.0], [40.0, 60.0]])
    assert found.within([square]) == (1, 1)
    assert found.within([]) == (0, 0)
    assert found.within([square, square]) == (1, 1), "regions that overlap count once"
    assert found.frames() == [2, 2, 1, 0]
    assert [c["fate"] for c in found.of_frame(1)] == [TAKEN, STILL]


def test_frames_are_kept_decoded_of_the_film_that_is_looked_at(short_clip, tmp_path):
    other = tmp_path / "other.mp4"
    shutil.copy(short_clip, other)
    films = Films()
    film = films.of((short_clip,))
    film.jpeg(3, 320)
    assert film._recent
    films.of((short_clip,))
    assert film._recent, "the same film again"
    second = films.of((other,))
    second.jpeg(0, 320)
    assert second._recent and not film._recent
    assert film.jpeg(4, 320) and film.luma(4).shape == (540, 960)


def test_light_of_a_frame_is_as_coded(short_clip):
    film = Films().of((short_clip,))
    frame = next(iter_frames(short_clip))
    # through colours and back: rounding, and clipping where they do not fit
    assert np.abs(film.luma(0).astype(int) - frame.luma).mean() < 0.5
