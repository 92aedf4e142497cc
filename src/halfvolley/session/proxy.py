"""A small copy of a clip for quick jumps about in it, in pieces that are of use one by one.

Made where the clip itself is slow to jump about in. It is for looking only: whatever is measured,
and every frame at which somebody stops, comes from the clip.
"""

import hashlib
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from halfvolley.errors import BadInput, StorageError
from halfvolley.session.files import only_writer, storing
from halfvolley.session.labels import frames_at
from halfvolley.session.recording import Recording, probe_recording
from halfvolley.session.schema import ClipEntry, Session, read_session
from halfvolley.types import ByteImage, ClipInfo, Frame
from halfvolley.video import VideoWriter, WriterSettings, keyframe_gap_s, to_rgb

Progress = Callable[[str, float], None]
FOLDER = "proxy"  # within computed/
VERSION = 1
WIDTH_PX = 960
MOST_FPS = 30.0  # of the copy: enough to see where one is
KEYFRAME_EVERY_S = 0.5
PIECE_S = 30.0  # a piece can be looked at as soon as it is there
CRF = 27.0
PLAYABLE = frozenset(("h264", "vp8", "vp9", "av1"))
# decoded on the way from a keyframe to the frame before the next: a quarter of a second on two
# cores; 1080p60 with a keyframe every second stays below
SLOW_JUMP_PX = 150e6
LEFT_FREE_BYTES = 1 << 30


def why_slow(info: ClipInfo) -> str:
    """Why a clip is slow to jump about in; "" where it is quick enough as it is.

    Parameters
    ----------
    info : ClipInfo
        Of its first file.

    Raises
    ------
    FootageError
        If it cannot be read.
    """
    if info.codec not in PLAYABLE or info.bits > 8:
        return f"it is coded as {info.codec} with {info.bits} bits, which few browsers play"
    width, height = info.size_px
    between = round(keyframe_gap_s(info.path) / info.frame_interval_s)
    if between * width * height <= SLOW_JUMP_PX:
        return ""
    return f"a jump in it has to decode up to {between} pictures of {width} x {height}"


@dataclass(frozen=True, slots=True)
class Pieces:
    """How the frames of a clip lie in the pieces of its small copy."""

    folder: Path
    n_frames: int  # of the clip
    every: int  # each so-manieth frame is in the copy
    frames: int  # of the clip that one piece spans, a multiple of `every`

    @property
    def count(self) -> int:
        """How many pieces there will be."""
        return -(-self.n_frames // self.frames)

    def path(self, number: int) -> Path:
        """The file of a piece, whether it is there or not."""
        return self.folder / f"piece-{number:04d}.mp4"

    def wanted(self, number: int) -> range:
        """Frames of the clip that a piece holds."""
        first = number * self.frames
        return range(first, min(first + self.frames, self.n_frames), self.every)

    def find(self, index: int) -> tuple[Path, int, int] | None:
        """Where the nearest frame before one lies: its piece, its place there, which frame it is.

        None where that piece is not there yet.
        """
        number = index // self.frames
        place = (index - number * self.frames) // self.every
        path = self.path(number)
        return (path, place, self.wanted(number)[place]) if path.is_file() else None

    @property
    def missing(self) -> list[int]:
        """Pieces that are not there yet."""
        return [number for number in range(self.count) if not self.path(number).is_file()]


def pieces_of(session: Session, entry: ClipEntry, info: ClipInfo) -> Pieces:
    """Where the small copy of a clip lies, whether it is there or not."""
    every = max(1, round(1.0 / (info.frame_interval_s * MOST_FPS)))
    in_copy = max(1, round(PIECE_S / (info.frame_interval_s * every)))
    folder = session.folder / "computed" / FOLDER / _key(entry)
    return Pieces(folder, len(info.pts_s), every, in_copy * every)


def make_proxy(folder: Path | str, clip: str, *, progress: Progress | None = None) -> Pieces:
    """Make what is missing of the small copy of a clip.

    Parameters
    ----------
    folder : Path or str
        The session folder.
    clip : str
        Name of the clip.
    progress : callable, optional
        Told what is being done and which share of it is done.

    Returns
    -------
    Pieces
        All of them there.

    Raises
    ------
    BadSession, FootageError
        If there is no such clip, or it cannot be read.
    StorageError
        If there is no room, or another program makes it already.
    """
    session = read_session(folder)
    entry = session.clip(clip)
    recording = probe_recording(entry.files)
    pieces = pieces_of(session, entry, recording.info)
    tell = progress or (lambda text, share: None)
    text = f"{clip}: making a small copy"
    with only_writer(session.folder / "computed" / FOLDER):
        _forget_others(session)
        with storing(pieces.folder):
            pieces.folder.mkdir(parents=True, exist_ok=True)
            for unfinished in pieces.folder.glob(".*.part"):
                unfinished.unlink()
        for number in pieces.missing:
            tell(text, number / pieces.count)
            _check_room(pieces.folder)
            make_piece(recording, pieces, number)
    tell(text, 1.0)
    return pieces


def make_piece(recording: Recording, pieces: Pieces, number: int) -> None:
    """Make one piece; it appears whole or not at all.

    Raises
    ------
    FootageError
        If the clip cannot be read.
    StorageError
        If the piece cannot be written.
    """
    info = recording.info
    rate = Fraction(1.0 / (info.frame_interval_s * pieces.every)).limit_denominator(1001)
    settings = WriterSettings(
        rate=rate, crf=CRF, keyframe_every=max(1, round(KEYFRAME_EVERY_S * float(rate)))
    )
    width, height = info.size_px
    scale = min(1.0, WIDTH_PX / width)
    size_px = (max(2, 2 * round(scale * width / 2)), max(2, 2 * round(scale * height / 2)))
    wanted = pieces.wanted(number)
    picture: ByteImage = np.zeros((size_px[1], size_px[0], 3), np.uint8)
    with VideoWriter(pieces.path(number), size_px, settings) as writer:
        place = 0
        for frame in frames_at(recording, wanted):
            shown = to_rgb(_smaller(frame, size_px), replace(info, size_px=size_px))
            # one that cannot be decoded is stood in for, so that places stay what they are
            while place < len(wanted) and wanted[place] <= frame.index:
                picture = shown
                writer.write(picture, float(place / rate))
                place += 1
        for left in range(place, len(wanted)):
            writer.write(picture, float(left / rate))


def _smaller(frame: Frame, size_px: tuple[int, int]) -> Frame:
    """A frame at another, even size; planes are made smaller before they become colours."""
    half = (size_px[0] // 2, size_px[1] // 2)

    def fit(plane: ByteImage, size: tuple[int, int]) -> ByteImage:
        return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.uint8)

    return replace(
        frame, luma=fit(frame.luma, size_px), cb=fit(frame.cb, half), cr=fit(frame.cr, half)
    )


def _check_room(folder: Path) -> None:
    with storing(folder):
        free = shutil.disk_usage(folder).free
    if free < LEFT_FREE_BYTES:
        raise StorageError(
            f"there is no room for a small copy in {folder.parent}: {free >> 20} MB are free; free "
            "some space. Everything works without it, jumps take longer"
        )


def _forget_others(session: Session) -> None:
    """Throw away copies of what is no clip of the session any more."""
    home = session.folder / "computed" / FOLDER
    kept = {_key(entry) for entry in session.clips}
    for old in home.iterdir() if home.is_dir() else ():
        if old.is_dir() and old.name not in kept:
            shutil.rmtree(old, ignore_errors=True)


def _key(entry: ClipEntry) -> str:
    """Names the content without reading it, as a large clip is shown before it is measured."""
    said = [f"{VERSION}"]
    for path in entry.files:
        try:
            facts = path.stat()
        except OSError:
            raise BadInput(f"no such file: {path}; check the path in session.toml") from None
        said.append(f"{path.name} {facts.st_size} {facts.st_mtime_ns}")
    return hashlib.blake2b("\n".join(said).encode(), digest_size=10).hexdigest()
