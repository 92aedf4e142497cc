"""How far apart the pictures of a clip are that are coded alone; jumps about in it land on them."""

from pathlib import Path

import av.error

from halfvolley.video.opening import open_clip, video_stream

LOOKED_AT_S = 12.0  # of a clip; cameras keep to their distance


def keyframe_gap_s(path: Path | str) -> float:
    """The longest time from one keyframe to the next in the first seconds of a clip [s].

    Parameters
    ----------
    path : Path or str
        The clip.

    Returns
    -------
    float
        As long as what was looked at, where it holds one only.

    Raises
    ------
    FootageError
        If it cannot be read.
    """
    path = Path(path)
    with open_clip(path) as container:
        stream = video_stream(container, path)
        unit_s = float(stream.time_base)
        keys: list[float] = []
        last_s = 0.0
        try:
            for packet in container.demux(stream):
                stamp = packet.dts if packet.dts is not None else packet.pts
                if not packet.size or stamp is None:
                    continue
                last_s = stamp * unit_s
                if packet.is_keyframe:
                    keys.append(last_s)
                if last_s - (keys[0] if keys else last_s) > LOOKED_AT_S:
                    break
        except (av.error.FFmpegError, OSError):
            pass  # what is damaged is said by who reads it
    if not keys:
        return 0.0
    return max(b - a for a, b in zip(keys, [*keys[1:], last_s], strict=True))
