"""Exact frames of clips as JPEG, quick to step through and to jump about in.

A film keeps its decoder open: the next frame costs one decoding, a jump a search from the keyframe
before. Frames that are passed on the way are kept too, since they are asked for next.
"""

import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.report.picture import encode_jpeg
from halfvolley.session.labels import frames_at
from halfvolley.session.recording import Recording
from halfvolley.types import ByteImage, Frame
from halfvolley.video import to_rgb

KEPT_BYTES = 192 << 20  # of JPEGs of all films
KEPT_FILMS = 4
ON_THE_WAY = 16  # frames nearer than this are decoded through rather than sought
RUN = 600  # frames that one opening of the decoder gives
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
        self._frames: Iterator[Frame] = iter(())
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
        if not 0 <= index < len(self.info.pts_s):
            raise BadInput(f"there is no frame {index}")
        name = (*self._name, index, width_px)
        kept = self._store.get(name)
        if kept is not None:
            return kept
        with self._lock:
            kept = self._store.get(name)  # another request may have passed by it
            return kept if kept is not None else self._decode(index, width_px)

    def _decode(self, index: int, width_px: int) -> bytes:
        if not self._next <= index < min(self._next + ON_THE_WAY, self._end):
            self._end = min(index + RUN, len(self.info.pts_s))
            self._frames = frames_at(self.recording, range(index, self._end))
        data = b""
        for frame in self._frames:
            self._next = frame.index + 1
            data = encode_jpeg(to_rgb(frame, self.info), width_px)
            # a picture that cannot be decoded is stood in for by the one after it
            self._store.put((*self._name, frame.index, width_px), data)
            if frame.index >= index:
                break
        if not data:
            self._end = 0
            raise BadInput(f"frame {index} cannot be decoded; the clip is damaged there")
        return data

    def pictures(self, indices: Sequence[int]) -> Iterator[tuple[int, ByteImage]]:
        """Index and (h, w, 3) red, green, blue of some frames, in order."""
        for frame in frames_at(self.recording, indices):
            yield frame.index, np.asarray(to_rgb(frame, self.info))


class Films:
    """The films that pages look at, the least lately used one closed first."""

    def __init__(self) -> None:
        self.store = JpegStore()
        self._films: OrderedDict[tuple[Path, ...], Film] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, files: tuple[Path, ...]) -> Film:
        """The film of a recording's files.

        Raises
        ------
        FootageError, BadSession
            If a file cannot be read.
        """
        from halfvolley.session.recording import probe_recording

        with self._lock:
            film = self._films.get(files)
            if film is None or film.changed_ns != _changed_ns(files[0]):
                film = Film(probe_recording(files), self.store)
            self._films[files] = film
            self._films.move_to_end(files)
            while len(self._films) > KEPT_FILMS:
                self._films.popitem(last=False)
            return film


def _changed_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0
