"""Exact frames of clips as JPEG, quick to step through and to jump about in.

A film keeps its decoder open: the next frame costs one decoding, a jump a search from the keyframe
before. The frames that were decoded last are kept, since requests for neighbours come in any order.
"""

import contextlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from halfvolley.errors import BadInput, FootageError
from halfvolley.report.labels import crop
from halfvolley.report.picture import encode_jpeg
from halfvolley.session.recording import Recording
from halfvolley.session.veil import Veil
from halfvolley.types import ByteImage, Frame
from halfvolley.video import FrameReader, open_clip, to_rgb
from halfvolley.video.colour import planes_from_rgb

KEPT_BYTES = 96 << 20  # of JPEGs of all films
KEPT_FILMS = 2  # some 80 MB each at 1080p
RECENT_BYTES = 56 << 20  # of decoded frames of the film that was looked at last
NEAR = 8  # frames that are decoded through rather than sought, and kept decoded
TILE_PX = 288  # side of one picture of a strip
WIDTHS_PX = (320, 960, 1920)  # what a page may ask for


class JpegStore:
    """Pictures by name, the least lately used ones forgotten first."""

    def __init__(self, kept_bytes: int = KEPT_BYTES) -> None:
        self._kept_bytes = kept_bytes
        self._pictures: OrderedDict[tuple[object, ...], bytes] = OrderedDict()
        self._size = 0
        self._lock = threading.Lock()

    def get(self, name: tuple[object, ...]) -> bytes | None:
        """A picture, or None where it is not kept."""
        with self._lock:
            data = self._pictures.get(name)
            if data is not None:
                self._pictures.move_to_end(name)
            return data

    def put(self, name: tuple[object, ...], data: bytes) -> None:
        """Keep a picture."""
        with self._lock:
            old = self._pictures.pop(name, b"")
            self._pictures[name] = data
            self._size += len(data) - len(old)
            while self._size > self._kept_bytes and len(self._pictures) > 1:
                self._size -= len(self._pictures.popitem(last=False)[1])


class Film:
    """The frames of one recording.

    Parameters
    ----------
    recording : Recording
        What is shown.
    store : JpegStore
        Where pictures are kept.
    """

    def __init__(self, recording: Recording, store: JpegStore) -> None:
        self.recording = recording
        self.info = recording.info
        self._store = store
        self._lock = threading.Lock()
        self._near_lock = threading.Lock()
        self._near_container: Any = None
        self._frames: Iterator[Frame] = iter(())
        self._container: Any = None  # the file that was looked into last, kept open
        self._open_path: Path | None = None
        self._recent: OrderedDict[int, ByteImage] = OrderedDict()  # decoded last
        self._next = self._end = 0  # `_frames` gives these indices next
        self.changed_ns = _changed_ns(self.info.path)
        self._name = (str(self.info.path), self.changed_ns)

    def jpeg(self, index: int, width_px: int) -> bytes:
        """A frame, made smaller where it is wider than `width_px`.

        Raises
        ------
        BadInput
            If there is no such frame.
        FootageError
            If the clip cannot be read.
        """
        self._must_be_there(index)
        name = (*self._name, index, width_px)
        kept = self._store.get(name)
        if kept is not None:
            return kept
        with self._lock:
            kept = self._store.get(name)  # another request may have passed by it
            if kept is not None:
                return kept
            data = encode_jpeg(self._picture(index), width_px)
        self._store.put(name, data)
        return data

    def veiled(self, index: int, width_px: int, veil: Veil) -> bytes:
        """A frame as it is handed on, blurred.

        Raises
        ------
        BadInput, FootageError
            As for `jpeg`.
        """
        self._must_be_there(index)
        with self._lock:
            picture = self._picture(index).copy()
        veil.over(picture)
        return encode_jpeg(picture, width_px)

    def luma(self, index: int) -> ByteImage:
        """(h, w) how light a frame is, as coded: 16 is black, 235 white.

        Raises
        ------
        BadInput, FootageError
            As for `jpeg`.
        """
        self._must_be_there(index)
        with self._lock:
            return planes_from_rgb(self._picture(index), self.info.colour_matrix)[0]

    def near(self, index: int, width_px: int) -> tuple[bytes, int]:
        """The picture that is at hand most quickly near a frame, and which frame it is of.

        Parameters
        ----------
        index : int
            The frame.
        width_px : int
            As for `jpeg`.

        Returns
        -------
        tuple of bytes and int
            That frame itself where it is kept; else the next one that is coded alone.
        """
        if self._store.get((*self._name, index, width_px)) is None:
            start_s = float(self.info.pts_s[index])
            with contextlib.suppress(FootageError, StopIteration), self._near_lock:
                part = self.recording.parts[0]
                if self._near_container is None:  # one of its own: it decodes nothing between
                    self._near_container = open_clip(part.path)
                reader = FrameReader(
                    part, start_s=start_s, keyframes_only=True, container=self._near_container
                )
                frame = next(iter(reader))
                return encode_jpeg(to_rgb(frame, self.info), width_px), frame.index
        return self.jpeg(index, width_px), index

    def rest(self) -> None:
        """Let go of decoded frames while another film is looked at, if nobody waits for one."""
        if self._lock.acquire(blocking=False):
            self._recent.clear()
            self._lock.release()

    def _must_be_there(self, index: int) -> None:
        last = len(self.info.pts_s) - 1
        if not 0 <= index <= last:
            raise BadInput(f"there is no frame {index}; the clip has those from 0 to {last}")

    def _picture(self, index: int) -> ByteImage:
        """A decoded frame; the lock is held."""
        if index in self._recent:
            return self._recent[index]
        if not self._next <= index < min(self._next + NEAR, self._end):
            self._seek(index)
        for frame in self._frames:
            self._next = frame.index + 1
            picture = to_rgb(frame, self.info)
            self._recent[frame.index] = picture
            while len(self._recent) > max(1, min(NEAR, RECENT_BYTES // picture.nbytes)):
                self._recent.popitem(last=False)
            if frame.index >= index:  # one that cannot be decoded is stood in for by the next
                return picture
        self._end = 0
        raise BadInput(f"frame {index} cannot be decoded; the clip is damaged there")

    def _seek(self, index: int) -> None:
        """Let `_frames` begin at a frame, to the end of its file."""
        first = 0
        k = 0
        while index >= first + len(self.recording.parts[k].pts_s):
            first += len(self.recording.parts[k].pts_s)
            k += 1
        part, shift_s = self.recording.parts[k], float(self.recording.shift_s[k])
        if self._open_path != part.path:
            self._container, self._open_path = open_clip(part.path), part.path
        start_s = float(part.pts_s[index - first])
        reader = FrameReader(part, start_s=start_s, container=self._container)
        self._frames = _placed(reader, first, shift_s)
        self._next, self._end = index, first + len(part.pts_s)

    def strip(self, index: int, centre_px: tuple[float, float], side_px: float, near: int) -> bytes:
        """One place in a frame and in its neighbours in time, side by side.

        Parameters
        ----------
        index : int
            The frame in the middle.
        centre_px : tuple of float
            (u, v) of the place [px].
        side_px : float
            Side of the square that is shown [px].
        near : int
            How many frames before and after it.

        Raises
        ------
        BadInput, FootageError
            As for `jpeg`.
        """
        name = (*self._name, index, centre_px, side_px, near)
        kept = self._store.get(name)
        if kept is not None:
            return kept
        strip = np.zeros((TILE_PX, (2 * near + 1) * TILE_PX, 3), np.uint8)
        last = len(self.info.pts_s) - 1
        with self._lock:
            for k in range(-near, near + 1):
                if 0 <= index + k <= last:
                    x = (k + near) * TILE_PX
                    tile = crop(self._picture(index + k), centre_px, side_px, TILE_PX)
                    strip[:, x : x + TILE_PX] = tile
        data = encode_jpeg(strip, strip.shape[1])
        self._store.put(name, data)
        return data


class Films:
    """The films that pages look at, the least lately used one closed first."""

    def __init__(self) -> None:
        self.store = JpegStore()
        self._films: OrderedDict[tuple[Path, ...], Film] = OrderedDict()
        self._lock = threading.Lock()
        self._opening: dict[tuple[Path, ...], threading.Lock] = {}

    def of(
        self, files: tuple[Path, ...], known: Callable[[], Recording | None] = lambda: None
    ) -> Film:
        """The film of a recording's files.

        Parameters
        ----------
        files : tuple of Path
            In order.
        known : callable
            Gives what is known of them already; else they are looked through once.

        Raises
        ------
        FootageError, BadSession
            If a file cannot be read.
        """
        from halfvolley.session.recording import probe_recording

        with self._lock:
            opening = self._opening.setdefault(files, threading.Lock())
        with opening:  # a large clip is looked through once, and keeps no other one waiting
            film = self._films.get(files)
            if film is None or film.changed_ns != _changed_ns(files[0]):
                film = Film(known() or probe_recording(files), self.store)
            with self._lock:
                for other in self._films.values():
                    if other is not film:
                        other.rest()
                self._films[files] = film
                self._films.move_to_end(files)
                while len(self._films) > KEPT_FILMS:
                    self._films.popitem(last=False)
        return film


def _placed(frames: Iterable[Frame], first: int, shift_s: float) -> Iterator[Frame]:
    """Frames of one file of a recording, numbered and timed through."""
    for frame in frames:
        yield replace(frame, index=frame.index + first, t_s=frame.t_s + shift_s)


def _changed_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0
