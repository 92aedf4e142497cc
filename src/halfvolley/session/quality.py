"""How much of a session was seen: frames with the ball on a flight, and rallies without a gap."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from halfvolley.types import FloatArray


@dataclass(frozen=True, slots=True)
class Seen:
    """What one clip shows of its flights."""

    seconds: float  # that could be measured
    flight_frames: int  # frames within flights of rallies; of all flights where there are none
    seen_frames: int  # of these, with a detection on the flight
    rally_s: float  # from serve to end, where both were seen
    flown_s: float  # of that, within flights


def read_seen(folder: Path | str) -> dict[str, Seen]:
    """What the clips of a session's newest result show, by name of the clip.

    Parameters
    ----------
    folder : Path or str
        The session folder, with a complete result.
    """
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    tables = Path(folder) / "tables"
    cameras = json.loads((tables / "camera.json").read_text(encoding="utf-8"))["clips"]
    arcs = pq.read_table(tables / "arcs.parquet", columns=["clip", "rally_id", "t0_s", "t1_s"])
    rallies = pq.read_table(tables / "rallies.parquet", columns=["clip", "t_start_s", "t_end_s"])
    found = pq.read_table(
        tables / "detections.parquet", columns=["clip", "frame", "t_s", "arc_id"],
        read_dictionary=["clip"],
    )  # fmt: skip
    out = {}
    for clip, camera in cameras.items():
        own = found.filter(pc.equal(found["clip"], clip))
        flights = [a for a in arcs.to_pylist() if a["clip"] == clip]
        if any(r["clip"] == clip for r in rallies.to_pylist()):  # else balls were fed: all count
            flights = [a for a in flights if a["rally_id"] is not None]
        spans = np.array([[a["t0_s"], a["t1_s"]] for a in flights]).reshape(-1, 2)
        times = np.array(
            [[r["t_start_s"], r["t_end_s"]] for r in rallies.to_pylist()
             if r["clip"] == clip and None not in (r["t_start_s"], r["t_end_s"])]
        ).reshape(-1, 2)  # fmt: skip
        usable = np.array(camera["usable_s"]).reshape(-1, 2)
        out[clip] = _seen(own, spans, times, float(np.sum(usable[:, 1] - usable[:, 0])))
    return out


def _seen(detections: Any, spans: FloatArray, times: FloatArray, seconds: float) -> Seen:
    frame = detections["frame"].to_numpy()
    t = detections["t_s"].to_numpy()
    on_arc = detections["arc_id"].is_valid().to_numpy()
    unique, first = np.unique(frame, return_index=True)
    frames = seen = 0
    if len(unique) > 1:
        stamps = np.interp(np.arange(unique[0], unique[-1] + 1), unique, t[first])
        frames = int(np.sum(_within(stamps, spans)))
        shown = np.interp(np.unique(frame[on_arc]), unique, t[first])
        seen = int(np.sum(_within(shown, spans)))
    grid = [np.arange(a, b, 0.02) for a, b in times]
    moments = np.concatenate(grid) if grid else np.zeros(0)
    flown = 0.02 * float(np.sum(_within(moments, spans)))
    return Seen(seconds, frames, seen, 0.02 * len(moments), flown)


def _within(t: FloatArray, spans: FloatArray) -> FloatArray:
    """Whether moments lie in any of some spans."""
    if not len(spans):
        return np.zeros(len(t), bool)
    order = np.argsort(spans[:, 0])
    start, end = spans[order, 0], np.maximum.accumulate(spans[order, 1])
    i = np.searchsorted(start, t, side="right") - 1
    return np.asarray((i >= 0) & (t <= end[np.maximum(i, 0)]))
