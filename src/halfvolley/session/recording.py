"""A recording: one file, or several that a camera wrote one after the other."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from halfvolley.errors import BadSession, Unknown
from halfvolley.types import ClipInfo, FloatArray, Frame, Onsets


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """Facts of the files of one recording, and of all of them as one clip.

    The clock of the whole is that of the first file. A camera that begins a new file loses no
    frame, so each chapter starts one frame interval after the last frame before it.
    """

    parts: tuple[ClipInfo, ...]
    shift_s: FloatArray  # (n,) adds to a file's own times [s]

    def at(self, files: tuple[Path, ...]) -> "Recording":
        """The same content, at the paths where the files lie now."""
        parts = tuple(replace(p, path=f) for p, f in zip(self.parts, files, strict=True))
        return replace(self, parts=parts)

    @property
    def info(self) -> ClipInfo:
        """The whole as one clip; `path` is that of the first file."""
        if len(self.parts) == 1:
            return self.parts[0]
        pts = [p.pts_s + shift for p, shift in zip(self.parts, self.shift_s, strict=True)]
        warnings = [
            f"{part.path.name}: {warning}" for part in self.parts for warning in part.warnings
        ]
        return replace(
            self.parts[0],
            pts_s=np.concatenate(pts),
            has_audio=all(part.has_audio for part in self.parts),
            warnings=tuple(warnings),
            reconstructed=any(part.reconstructed for part in self.parts),
        )


def probe_recording(files: tuple[Path, ...]) -> Recording:
    """Facts of a recording.

    Parameters
    ----------
    files : tuple of Path
        Its files in order.

    Returns
    -------
    Recording
        With the time shift of each file.

    Raises
    ------
    FootageError
        If a file is missing or no video.
    BadSession
        If a chapter has another picture size than the first file.
    """
    from halfvolley.video import probe

    parts = tuple(probe(file) for file in files)
    shift = np.zeros(len(parts))
    for i, part in enumerate(parts[1:], start=1):
        if part.size_px != parts[0].size_px:
            seen, wanted = (f"{w} x {h}" for w, h in (part.size_px, parts[0].size_px))
            raise BadSession(
                f"chapter {part.path.name} has {seen} pixels and the first file has {wanted}; "
                "list it as a clip of its own"
            )
        before = parts[i - 1]
        start = before.pts_s[-1] + before.frame_interval_s + shift[i - 1]
        shift[i] = start - part.pts_s[0]
    return Recording(parts, shift)


class RecordingFrames:
    """The frames of a recording, numbered and timed through; iterate, then read `warnings`."""

    def __init__(self, recording: Recording, *, keyframes_only: bool = False) -> None:
        self._recording = recording
        self._keyframes_only = keyframes_only
        self.warnings: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[Frame]:
        """Frames in order of display."""
        from halfvolley.video import FrameReader

        first = 0
        for part, shift in zip(self._recording.parts, self._recording.shift_s, strict=True):
            reader = FrameReader(part, keyframes_only=self._keyframes_only)
            if first == 0 and shift == 0.0:
                yield from reader
            else:
                for frame in reader:
                    yield replace(frame, index=frame.index + first, t_s=frame.t_s + float(shift))
            self.warnings += reader.warnings
            first += len(part.pts_s)


def frames_near(recording: Recording, n: int, *, keyframes_only: bool) -> list[Frame]:
    """Up to n frames spread evenly over a recording, the first one first.

    Parameters
    ----------
    recording : Recording
        What is looked through, by seeking.
    n : int
        How many moments are looked for.
    keyframes_only : bool
        Take the next picture that is coded alone; several moments may then share one.

    Returns
    -------
    list of Frame
        In order of display, each once; copies that may be kept.
    """
    from halfvolley.video import iter_frames

    kept: dict[int, Frame] = {}
    first = 0
    total = len(recording.info.pts_s)
    wanted = [round(i * total / n) for i in range(n)]
    for part, shift in zip(recording.parts, recording.shift_s, strict=True):
        for index in (i - first for i in wanted if first <= i < first + len(part.pts_s)):
            frames = iter_frames(
                part, start_s=float(part.pts_s[index]), keyframes_only=keyframes_only
            )
            frame = next(iter(frames), None)
            if frame is not None:
                kept[frame.index + first] = replace(
                    frame, index=frame.index + first, t_s=frame.t_s + float(shift),
                    luma=frame.luma.copy(), cb=frame.cb.copy(), cr=frame.cr.copy(),
                )  # fmt: skip
        first += len(part.pts_s)
    return [kept[index] for index in sorted(kept)]


def recording_onsets(recording: Recording) -> Onsets | Unknown:
    """Sharp sounds of a recording on its own clock; Unknown where a part of it has none."""
    from halfvolley.video import find_onsets

    found = []
    for part, shift in zip(recording.parts, recording.shift_s, strict=True):
        onsets = find_onsets(part.path) if part.has_audio else Unknown("the clip has no sound")
        if isinstance(onsets, Unknown):
            return onsets
        found.append(replace(onsets, t_s=onsets.t_s + float(shift)))
    return Onsets(
        np.concatenate([onsets.t_s for onsets in found]),
        np.concatenate([onsets.sd_s for onsets in found]),
        np.concatenate([onsets.strength for onsets in found]),
    )
