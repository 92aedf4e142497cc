"""Files and cameras to frames with exact time; sound; writing. The only room with PyAV."""

from halfvolley.video.colour import planes_from_rgb, rgb_from_ycc, to_rgb
from halfvolley.video.keyframes import keyframe_gap_s
from halfvolley.video.onsets import Onset, OnsetSettings, find_onsets, iter_onsets
from halfvolley.video.opening import open_clip
from halfvolley.video.prefetch import prefetch
from halfvolley.video.probe import probe, recorded_on
from halfvolley.video.reader import FrameReader, iter_frames
from halfvolley.video.sound import SoundChunk, has_sound, read_audio
from halfvolley.video.timing import timing_warnings
from halfvolley.video.writer import VideoWriter, WriterSettings

__all__ = [
    "FrameReader",
    "Onset",
    "OnsetSettings",
    "SoundChunk",
    "VideoWriter",
    "WriterSettings",
    "find_onsets",
    "has_sound",
    "iter_frames",
    "iter_onsets",
    "keyframe_gap_s",
    "open_clip",
    "planes_from_rgb",
    "prefetch",
    "probe",
    "read_audio",
    "recorded_on",
    "rgb_from_ycc",
    "timing_warnings",
    "to_rgb",
]
