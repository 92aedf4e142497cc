"""What the Play screen draws, arranged from the newest result of a session; nothing is measured."""

import math
from pathlib import Path
from typing import Any

import numpy as np

from halfvolley.camera import camera_at, project
from halfvolley.errors import BadSession
from halfvolley.match import hear
from halfvolley.match.kinds import KINDS, guess_kind
from halfvolley.match.records import Estimate, RallyRecord, StrokeRecord
from halfvolley.match.zones import DEPTHS, WIDTHS, depth_labels, width_labels
from halfvolley.report.court import ellipse_95
from halfvolley.session.pipeline import kept_result
from halfvolley.session.read import ClipSummary, ContactRow
from halfvolley.session.records import FlightPath, Records, read_records
from halfvolley.session.stages import touch_words
from halfvolley.types import ClipCamera, FloatArray
from halfvolley.web.practice_data import practice_data

Json = dict[str, Any]


def play_data(folder: Path, clip: str) -> Json:
    """Contacts, flights, strokes, and rallies or what is listed instead of them, of one clip.

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
    # flights, and not what was read from them: a person's word leaves the picture as it is
    scan, flights = (kept_result(records.session, clip, stage) for stage in ("scan", "flight"))
    seen = None if scan is None or flights is None else scan.camera
    shutter = None if flights is None else flights.shutter
    return {
        "names": {"A": summary.player_a or "A", "B": summary.player_b or "B"},
        "contacts": [_contact(row, seen) for row in summary.contacts],
        "flights": [_flight(p, seen) for p in records.paths if p.clip == clip],
        "strokes": _strokes(records, summary),
        **said_data(records, clip),
        **practice_data(records, clip),
        "exposure_s": 0.0 if shutter is None else shutter.exposure_s,
        "readout_s": 0.0 if shutter is None else shutter.readout_s,
        "drawn": seen is not None,
        "depths": DEPTHS,
        "widths": WIDTHS,
        "kinds": [kind for kind in KINDS if kind != "unknown"],
    }


def said_data(records: Records, clip: str) -> Json:
    """Rallies and a person's corrections of one clip: what changes with a word.

    Touches that are corrected are named by contact: "none" where nothing was touched, else the
    end of who struck. `words` lists every correction, so that each can be taken back.
    """
    summary = next(c for c in records.summary.clips if c.clip == clip)
    session = records.session
    flights = kept_result(session, clip, "flight")  # with the touches that were taken out since
    found = summary.contacts if flights is None else flights.contacts
    heard = hear(found, touch_words(session, clip))
    points = [(i, w) for i, w in enumerate(session.points) if w.clip == clip]
    touches = [(i, w) for i, w in enumerate(session.touches) if w.clip == clip]
    return {
        "rallies": rally_data(records, clip),
        "corrected": {i: "none" if w.none else w.player for i, w in heard.by_contact.items()},
        "words": [
            *({"table": "points", "index": i, "t": w.t_s, "winner": w.winner, "server": w.server}
              for i, w in points),
            *({"table": "touches", "index": i, "t": w.t_s, "was": w.was, "player": w.player}
              for i, w in touches),
        ],
        "notes": [*records.notes, *heard.notes],
    }  # fmt: skip


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


def _contact(row: ContactRow, seen: ClipCamera | None) -> Json:
    long, short, angle = ellipse_95(row)
    place = np.array([row.x_m, row.y_m, row.z_m])
    return {
        "id": row.contact_id, "kind": row.kind, "t": row.t_s, "t_sd": row.t_sd_s,
        "rally": row.rally_id, "side": row.side, "player": row.player, "p": row.probability,
        "xyz": _rounded(place), "ellipse": _rounded(np.array([long, short, angle])),
        "uv": None if seen is None else _seen(seen, row.t_s, place[None])[0],
        "speed_in": _known(row.speed_in_mps, row.speed_in_sd_mps),
        "speed_out": _known(row.speed_out_mps, row.speed_out_sd_mps),
        "spin_in": _known(row.spin_in_revps, row.spin_in_sd_revps),
        "spin_out": _known(row.spin_out_revps, row.spin_out_sd_revps),
    }  # fmt: skip


def _flight(path: FlightPath, seen: ClipCamera | None) -> Json:
    uv = [] if seen is None else _seen(seen, float(path.t_s[0]), path.xyz_m)
    return {
        "rally": path.rally_id, "contact": path.contact_in,
        "t": np.round(path.t_s, 5).tolist(), "uv": uv,
        "xyz": np.round(path.xyz_m, 4).tolist(),
    }  # fmt: skip


def _strokes(records: Records, summary: ClipSummary) -> list[Json]:
    own = [s for s in records.strokes if s.clip == summary.clip]
    contacts = {s.stroke_id: s.contact_id for s in summary.strokes}
    places = [s.placement for s in own]
    fields = zip(own, depth_labels(places), width_labels(places), strict=True)
    return [_stroke(s, contacts[s.stroke_id], depth, width) for s, depth, width in fields]


def _stroke(stroke: StrokeRecord, contact: int, depth: str | None, width: str | None) -> Json:
    kind = guess_kind(stroke).best
    return {
        "depth": depth, "width": width,
        "contact": contact, "rally": stroke.rally_id, "number": stroke.number, "end": stroke.end,
        "player": stroke.player, "phase": stroke.phase, "kind": kind, "fate": stroke.fate,
        "speed": _estimate(stroke.speed_mps), "spin": _estimate(stroke.topspin_revps),
    }  # fmt: skip


def _seen(seen: ClipCamera, t_s: float, xyz_m: FloatArray) -> list[list[float] | None]:
    """Where points are in the picture; None where they are behind the camera."""
    uv = project(camera_at(seen, t_s), np.ascontiguousarray(xyz_m, np.float64))
    return [_rounded(p) if np.isfinite(p).all() else None for p in uv]


def _rounded(values: FloatArray) -> list[float]:
    return [round(float(v), 4) for v in values]


def _known(value: float | None, sd: float | None) -> list[float] | None:
    return None if value is None or sd is None or not math.isfinite(sd) else [value, sd]


def _estimate(e: Estimate | None) -> list[float] | None:
    return None if e is None else [e.value, e.sd]
