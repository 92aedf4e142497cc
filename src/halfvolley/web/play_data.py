"""What the Play screen draws, arranged from the newest result of a session; nothing is measured."""

import math
from pathlib import Path
from typing import Any

import numpy as np

from halfvolley.camera import camera_at, project
from halfvolley.errors import BadSession, HalfvolleyError
from halfvolley.match.kinds import guess_kind
from halfvolley.match.records import Estimate, RallyRecord, StrokeRecord
from halfvolley.report.court import ellipse_95
from halfvolley.session.pipeline import ClipResult, load_clip
from halfvolley.session.read import ClipSummary, ContactRow
from halfvolley.session.records import FlightPath, Records, read_records
from halfvolley.types import FloatArray

Json = dict[str, Any]


def play_data(folder: Path, clip: str) -> Json:
    """Contacts, flights, strokes and rallies of one clip.

    Raises
    ------
    BadSession
        If there is no result of this clip.
    """
    records = read_records(folder)
    summary = next((c for c in records.summary.clips if c.clip == clip), None)
    if summary is None:
        why = dict(records.summary.not_measured).get(clip, "it was added later")
        raise BadSession(f"{clip} is not in the result: {why}; measure again")
    try:
        result: ClipResult | None = load_clip(folder, clip)
    except HalfvolleyError:
        result = None  # something changed since: what is shown cannot be laid over the picture
    shutter = None if result is None else result.flights.shutter
    return {
        "names": {"A": summary.player_a or "A", "B": summary.player_b or "B"},
        "contacts": [_contact(row, result) for row in summary.contacts],
        "flights": [_flight(p, result) for p in records.paths if p.clip == clip],
        "strokes": [_stroke(s, summary) for s in records.strokes if s.clip == clip],
        "rallies": rally_data(records, clip),
        "exposure_s": 0.0 if shutter is None else shutter.exposure_s,
        "readout_s": 0.0 if shutter is None else shutter.readout_s,
        "drawn": result is not None,
    }


def rally_data(records: Records, clip: str) -> list[Json]:
    """The rallies of a clip, with what a person said of them."""
    summary = next(c for c in records.summary.clips if c.clip == clip)
    touches: dict[int, list[float]] = {}
    for row in summary.contacts:
        if row.rally_id is not None:
            touches.setdefault(row.rally_id, []).append(row.t_s)
    return [_rally(r, touches.get(r.rally_id, [])) for r in records.rallies if r.clip == clip]


def _rally(rally: RallyRecord, touches: list[float]) -> Json:
    known = [t for t in (rally.t_start_s, rally.t_end_s) if t is not None]
    times = [*touches, *known] or [0.0]
    o = rally.outcome
    return {
        "id": rally.rally_id, "from": min(times), "to": max(times), "server": rally.server,
        "strokes": rally.n_strokes, "winner": o.winner, "how": o.how, "sure": o.probability,
        "doubt": o.doubt,
    }  # fmt: skip


def _contact(row: ContactRow, result: ClipResult | None) -> Json:
    long, short, angle = ellipse_95(row)
    place = np.array([row.x_m, row.y_m, row.z_m])
    return {
        "id": row.contact_id, "kind": row.kind, "t": row.t_s, "t_sd": row.t_sd_s,
        "rally": row.rally_id, "side": row.side, "player": row.player, "p": row.probability,
        "xyz": _rounded(place), "ellipse": _rounded(np.array([long, short, angle])),
        "uv": None if result is None else _seen(result, row.t_s, place[None])[0],
        "speed_in": _known(row.speed_in_mps, row.speed_in_sd_mps),
        "speed_out": _known(row.speed_out_mps, row.speed_out_sd_mps),
        "spin_in": _known(row.spin_in_revps, row.spin_in_sd_revps),
        "spin_out": _known(row.spin_out_revps, row.spin_out_sd_revps),
    }  # fmt: skip


def _flight(path: FlightPath, result: ClipResult | None) -> Json:
    uv = [] if result is None else _seen(result, float(path.t_s[0]), path.xyz_m)
    return {
        "rally": path.rally_id, "t": np.round(path.t_s, 5).tolist(), "uv": uv,
        "xyz": np.round(path.xyz_m, 4).tolist(),
    }  # fmt: skip


def _stroke(stroke: StrokeRecord, summary: ClipSummary) -> Json:
    contact = next(s.contact_id for s in summary.strokes if s.stroke_id == stroke.stroke_id)
    kind = guess_kind(stroke).best
    return {
        "contact": contact, "rally": stroke.rally_id, "number": stroke.number, "end": stroke.end,
        "player": stroke.player, "phase": stroke.phase, "kind": kind, "fate": stroke.fate,
        "speed": _estimate(stroke.speed_mps), "spin": _estimate(stroke.topspin_revps),
    }  # fmt: skip


def _seen(result: ClipResult, t_s: float, xyz_m: FloatArray) -> list[list[float] | None]:
    """Where points are in the picture; None where they are behind the camera."""
    uv = project(camera_at(result.scan.camera, t_s), np.ascontiguousarray(xyz_m, np.float64))
    return [_rounded(p) if np.isfinite(p).all() else None for p in uv]


def _rounded(values: FloatArray) -> list[float]:
    return [round(float(v), 4) for v in values]


def _known(value: float | None, sd: float | None) -> list[float] | None:
    return None if value is None or sd is None or not math.isfinite(sd) else [value, sd]


def _estimate(e: Estimate | None) -> list[float] | None:
    return None if e is None else [e.value, e.sd]
