"""Pictures with their time, and the facts of the clip they come from."""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from halfvolley.types.arrays import ByteImage, FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture, upright, as 8-bit planes; planes may be views of the decoder's memory.

    The planes are valid while the frame is held. Copy what must live longer.
    """

    index: int  # place in the order of display, from 0
    t_s: float  # PTS x time base, start of the exposure of row 0 [s]
    luma: ByteImage  # (h, w) as coded: 16-235 unless the clip is full range
    cb: ByteImage  # (ceil(h/2), ceil(w/2)), centred on 128
    cr: ByteImage  # (ceil(h/2), ceil(w/2)), centred on 128


@dataclass(frozen=True, slots=True, eq=False)
class ClipInfo:
    """What a clip is, read from its container without decoding pictures."""

    path: Path
    size_px: tuple[int, int]  # width, height, upright
    rotation_deg: int  # clockwise turn that was applied: 0, 90, 180, 270
    codec: str
    pixel_format: str
    bits: int
    colour_matrix: str  # "bt601", "bt709", "bt2020"
    full_range: bool
    time_base: Fraction
    nominal_fps: float  # what the container says
    pts_s: FloatArray  # (n,) presentation times in order of display [s]
    has_audio: bool
    warnings: tuple[str, ...]  # one plain sentence each
    reconstructed: bool = False  # the container's stamps were missing or useless, pts_s is rebuilt

    @property
    def frame_interval_s(self) -> float:
        """Median time between frames [s]; 1 / nominal rate where fewer than two are there."""
        if len(self.pts_s) < 2:
            return 1.0 / self.nominal_fps
        steps = sorted(float(b - a) for a, b in zip(self.pts_s, self.pts_s[1:], strict=False))
        return steps[len(steps) // 2]


@dataclass(frozen=True, slots=True, eq=False)
class Onsets:
    """Sharp sounds of one clip, on the sound track's own clock."""

    t_s: FloatArray  # (n,) onset [s], ascending
    sd_s: FloatArray  # (n,) [s]
    strength: FloatArray  # (n,) height above the background, in its standard deviations
