"""Files and cameras to frames with exact time; sound; writing. The only room with PyAV."""

from halfvolley.video.colour import planes_from_rgb, rgb_from_ycc, to_rgb
from halfvolley.video.prefetch import prefetch
from halfvolley.video.probe import probe
from halfvolley.video.reader import FrameReader, iter_frames
from halfvolley.video.timing import timing_warnings
from halfvolley.video.writer import VideoWriter, WriterSettings

__all__ = [
    "FrameReader",
    "VideoWriter",
    "WriterSettings",
    "iter_frames",
    "planes_from_rgb",
    "prefetch",
    "probe",
    "rgb_from_ycc",
    "timing_warnings",
    "to_rgb",
]
