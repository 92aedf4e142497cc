"""Strokes and rallies of a session as statistics take them, joined from its tables.

The tables tell of ends, statistics of players: where a match was played, players change ends with
the score, as far as that can be followed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import numpy as np

from halfvolley.constants import BALL_RADIUS_M, NET_HEIGHT_M, NET_OVERHANG_M, TABLE_WIDTH_M
from halfvolley.match.kinds import behind_end_line
from halfvolley.match.records import (
    Estimate,
    Fate,
    Placement,
    RallyRecord,
    StrokeRecord,
    seen_by_striker,
    turn_of,
)
from halfvolley.match.score import PointCorrection, ScoredRally, ScoreSettings, follow_score
from halfvolley.physics import Environment, fly
from halfvolley.session.columns import STATE
from halfvolley.session.read import (
    ClipSummary,
    ContactRow,
    StrokeRow,
    Summary,
    read_summary,
)
from halfvolley.session.schema import PointWord, Session, read_session
from halfvolley.session.stages import environment
from halfvolley.types import FloatArray, Outcome, Side

NET_END_M = TABLE_WIDTH_M.value / 2 + NET_OVERHANG_M.value
STEP_S = 0.02  # between points of a drawn flight: a smooth line, and small
CORRECTION_SLACK_S = 1.0  # a time just beside a rally is meant for it


@dataclass(frozen=True, slots=True, eq=False)
class FlightPath:
    """An arc as points, for drawing and for heights."""

    clip: str
    rally_id: int | None
    contact_in: int | None
    t_s: FloatArray  # (n,)
    xyz_m: FloatArray  # (n, 3)
    clearance_m: Estimate | None  # over the net, where it crosses it


@dataclass(frozen=True, slots=True)
class Records:
    """A session as statistics and reports take it."""

    session: Session
    summary: Summary
    strokes: tuple[StrokeRecord, ...]
    rallies: tuple[RallyRecord, ...]
    paths: tuple[FlightPath, ...]
    score: tuple[ScoredRally, ...]  # empty where no match was played
    notes: tuple[str, ...]  # contradictions in a person's corrections


def read_records(folder: Path | str) -> Records:
    """Strokes and rallies of a session's newest result.

    Parameters
    ----------
    folder : Path or str
        The session folder.

    Returns
    -------
    Records
        Of all measured clips of play, in the order of session.toml.

    Raises
    ------
    BadSession
        If it is no session, or has no complete result.
    """
    session = read_session(folder)
    summary = read_summary(folder)
    rows = _Rows(Path(folder) / "tables")
    strokes: list[StrokeRecord] = []
    rallies: list[RallyRecord] = []
    paths: list[FlightPath] = []
    air = environment(session)
    kinds = {entry.name: entry.kind for entry in session.clips}
    for clip in summary.clips:
        flown = [_path(row, air) for row in rows.arcs if row["clip"] == clip.clip]
        own = _rallies(clip)
        corrected = {r.rally_id: r for r in own}
        paths += flown
        if kinds.get(clip.clip) != "serves":  # of a practised serve nobody wins a point
            rallies += own
        strokes += _strokes(clip, rows.of(clip.clip), flown, corrected)
    corrections, notes = _corrections(session.points, rallies)
    rallies = [_corrected(r, corrections.get((r.clip, r.rally_id))) for r in rallies]
    score: tuple[ScoredRally, ...] = ()
    if session.match.best_of:
        first = session.match.first_server
        score = follow_score(
            rallies, None if first == "unknown" else cast(Side, first), corrections,
            ScoreSettings(best_of=session.match.best_of),
        )  # fmt: skip
        rallies, strokes = _turned(rallies, strokes, score)
    return Records(
        session, summary, tuple(strokes), tuple(rallies), tuple(paths), score, tuple(notes)
    )


class _Rows:
    """The columns that `read_summary` leaves out."""

    def __init__(self, tables: Path) -> None:
        import pyarrow.parquet as pq

        names = [
            "clip", "stroke_id", "vx_mps", "vy_mps", "vz_mps",
            *(f"cov_v{a}_v{b}" for a, b in ("xx", "xy", "xz", "yy", "yz", "zz")),
            "spin_z_revps", "cov_spin_z_z_revps2",
        ]  # fmt: skip
        self.strokes = pq.read_table(tables / "strokes.parquet", columns=names).to_pylist()
        self.arcs = pq.read_table(tables / "arcs.parquet").to_pylist()

    def of(self, clip: str) -> dict[int, dict[str, Any]]:
        return {row["stroke_id"]: row for row in self.strokes if row["clip"] == clip}


# --- flights -------------------------------------------------------------------------------------
_STATE_COLUMNS = (
    "x0_m", "y0_m", "z0_m", "vx0_mps", "vy0_mps", "vz0_mps", "wx0_radps", "wy0_radps", "wz0_radps",
)  # fmt: skip


def _path(row: dict[str, Any], air: Environment) -> FlightPath:
    state = np.array([row[name] for name in _STATE_COLUMNS], np.float64)
    # tables of version 1 had one law, which saturates
    own = replace(air, drag=row["drag"], lift=row["lift"], lift_bend=row.get("lift_bend", 2.0))
    duration = max(row["t1_s"] - row["t0_s"], 0.0)
    n = max(2, math.ceil(duration / STEP_S) + 1)
    t = np.linspace(0.0, duration, n)
    xyz = fly(state[:3], state[3:6], state[6:], t, own).xyz_m
    return FlightPath(
        row["clip"], row["rally_id"], row["contact_in"], row["t0_s"] + t, xyz,
        _clearance(row, state, own, t, xyz[:, 0]),
    )  # fmt: skip


def _clearance(
    row: dict[str, Any], state: FloatArray, air: Environment, t: FloatArray, x: FloatArray
) -> Estimate | None:
    """How far the ball's lowest point passes above the net; None where it crosses elsewhere."""
    if x[0] * x[-1] >= 0 or row["t1_s"] <= row["t0_s"]:
        return None
    crossed = float(np.interp(0.0, x if x[-1] > x[0] else -x, t))

    def height(s: FloatArray) -> tuple[float, float]:
        # one step of Newton's method is enough: the crossing is known to a hundredth of a second
        states = fly(s[:3], s[3:6], s[6:], np.array([crossed]), air)
        dt = -states.xyz_m[0, 0] / states.v_mps[0, 0]
        y = states.xyz_m[0, 1] + dt * states.v_mps[0, 1]
        z = states.xyz_m[0, 2] + dt * states.v_mps[0, 2] - 4.9 * dt * dt
        return float(z), float(y)

    z, y = height(state)
    if abs(y) > NET_END_M or z < 0.0:
        return None  # around the net, or under the table
    steps = np.array([1e-3] * 3 + [1e-2] * 3 + [1.0] * 3)
    slope = np.array([(height(state + e)[0] - z) / e.sum() for e in np.diag(steps)])
    cov = np.zeros((9, 9))
    for i in range(9):
        for j in range(i, 9):
            cov[i, j] = cov[j, i] = row[f"cov_{STATE[i]}_{STATE[j]}"]
    variance = float(slope @ cov @ slope)
    if not math.isfinite(variance):
        return None
    return Estimate(z - BALL_RADIUS_M.value - NET_HEIGHT_M.value, math.sqrt(max(variance, 0.0)))


# --- rallies and strokes -------------------------------------------------------------------------
def _rallies(clip: ClipSummary) -> list[RallyRecord]:
    names = (clip.player_a or "A", clip.player_b or "B")
    return [
        RallyRecord(
            r.clip, r.rally_id, r.t_start_s, r.t_end_s, r.server, r.n_strokes,
            Outcome(r.winner, r.outcome, r.outcome_probability or 0.0, r.doubt or ""), names,
            r.t_end_sd_s, r.end == "foretold",
        )
        for r in clip.rallies
    ]  # fmt: skip


def _strokes(
    clip: ClipSummary, rows: dict[int, dict[str, Any]], paths: Sequence[FlightPath],
    rallies: dict[int, RallyRecord],
) -> list[StrokeRecord]:  # fmt: skip
    contacts = {c.contact_id: c for c in clip.contacts}
    from_contact = {p.contact_in: p for p in paths if p.contact_in is not None}
    in_order = sorted(clip.contacts, key=lambda c: c.t_s)
    place = {c.contact_id: i for i, c in enumerate(in_order)}
    names = {"A": clip.player_a or "A", "B": clip.player_b or "B"}
    out = []
    for stroke in clip.strokes:
        touch, row = contacts[stroke.contact_id], rows[stroke.stroke_id]
        rally = rallies.get(stroke.rally_id) if stroke.rally_id is not None else None
        i = place[touch.contact_id]
        later = [c for c in in_order[i + 1 : i + 12] if c.rally_id == stroke.rally_id]
        answer = next((c for c in later if c.kind == "racket"), None)
        own = later[: later.index(answer)] if answer is not None else later
        before = in_order[i - 1] if i else None
        waited = None
        if before is not None and before.kind == "table" and before.side == stroke.player:
            waited = touch.t_s - before.t_s
        velocity = _velocity(row)
        out.append(
            StrokeRecord(
                clip=clip.clip, stroke_id=stroke.stroke_id, rally_id=stroke.rally_id,
                number=stroke.number, player=names[stroke.player], end=stroke.player,
                t_s=stroke.t_s,
                speed_mps=_estimate(stroke.speed_mps, stroke.speed_sd_mps),
                topspin_revps=_estimate(touch.spin_out_revps, touch.spin_out_sd_revps),
                sidespin_revps=_estimate(row["spin_z_revps"], _root(row["cov_spin_z_z_revps2"])),
                direction_rad=None if velocity is None else _direction(*velocity, stroke.player),
                elevation_rad=None if velocity is None else _elevation(*velocity),
                height_m=touch.z_m,
                behind_m=None if touch.x_m is None else behind_end_line(touch.x_m),
                clearance_m=_crossing(from_contact, [touch, *own]),
                placement=_placement(contacts, stroke.bounce_id, stroke.player),
                fate=_fate(stroke, own, answer, rally),
                waited_s=waited,
                given_s=None if answer is None or answer.player == stroke.player
                else answer.t_s - touch.t_s,
            )
        )  # fmt: skip
    return out


def _estimate(value: float | None, sd: float | None) -> Estimate | None:
    return None if value is None or sd is None else Estimate(value, sd)


def _root(variance: float | None) -> float | None:
    return None if variance is None else math.sqrt(max(variance, 0.0))


def _velocity(row: dict[str, Any]) -> tuple[FloatArray, FloatArray] | None:
    if row["vx_mps"] is None:
        return None
    v = np.array([row["vx_mps"], row["vy_mps"], row["vz_mps"]])
    xx, xy, xz, yy, yz, zz = (
        row[f"cov_v{a}_v{b}"] for a, b in ("xx", "xy", "xz", "yy", "yz", "zz")
    )
    return v, np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])


def _direction(v: FloatArray, cov: FloatArray, striker: Side) -> Estimate | None:
    flat = math.hypot(v[0], v[1])
    if flat < 0.5:
        return None  # straight up: no direction
    across = np.array([-v[1], v[0], 0.0]) / flat
    sd = math.sqrt(max(0.0, float(across @ cov @ across))) / flat
    return Estimate(turn_of(float(v[0]), float(v[1]), striker), sd)


def _elevation(v: FloatArray, cov: FloatArray) -> Estimate:
    flat = max(math.hypot(v[0], v[1]), 1e-9)
    speed2 = flat**2 + float(v[2]) ** 2
    slope = np.array([-v[0] * v[2] / flat, -v[1] * v[2] / flat, flat]) / speed2
    return Estimate(math.atan2(v[2], flat), math.sqrt(max(0.0, float(slope @ cov @ slope))))


def _crossing(paths: dict[int, FlightPath], touches: Sequence[ContactRow]) -> Estimate | None:
    """Clearance of the flight that crosses the net, of all from a stroke to its answer."""
    for touch in touches:
        path = paths.get(touch.contact_id)
        if path is not None and path.clearance_m is not None:
            return path.clearance_m
        if touch.kind == "net":
            return None
    return None


def _placement(
    contacts: dict[int, ContactRow], bounce_id: int | None, striker: Side
) -> Placement | None:
    bounce = None if bounce_id is None else contacts.get(bounce_id)
    if bounce is None or bounce.kind != "table":
        return None
    cov = (bounce.cov_xx_m2, bounce.cov_xy_m2, bounce.cov_yy_m2)
    return seen_by_striker(bounce.x_m, bounce.y_m, cov, striker)


def _fate(
    stroke: StrokeRow, own: Sequence[ContactRow], answer: ContactRow | None,
    rally: RallyRecord | None,
) -> Fate:  # fmt: skip
    """Where a stroke's ball went; `own` are the touches up to the answer."""
    if stroke.bounce_id is not None:
        return "in"
    if rally is None:
        return _fed_fate(own, stroke.player)
    if answer is not None:
        return "in" if answer.player != stroke.player else "unknown"
    if rally.outcome.winner in (None, stroke.player):
        return "unknown"
    how = rally.outcome.how
    return how if how in ("net", "out", "own side") else "unknown"


def _fed_fate(own: Sequence[ContactRow], striker: Side) -> Fate:
    """The same outside rallies, where the next bounce may be that of the next ball already."""
    netted = bool(own) and own[0].kind == "net"
    down = next((c for c in own if c.kind != "net"), None)
    if down is None or down.kind != "floor":
        return "unknown"
    fell_back = (down.x_m < 0) == (striker == "A")
    return "net" if netted and fell_back else "out"


# --- a person's word -----------------------------------------------------------------------------
def _corrections(
    words: Sequence[PointWord], rallies: Sequence[RallyRecord]
) -> tuple[dict[tuple[str, int], PointCorrection], list[str]]:
    """The last word on each rally, and what contradicts or belongs to no rally."""
    out: dict[tuple[str, int], PointCorrection] = {}
    notes = []
    for i, word in enumerate(words, start=1):
        rally = _rally_at(word, rallies)
        where = f"points[{i}] of session.toml ({word.clip}, {word.t_s:g} s)"
        if rally is None:
            notes.append(f"{where} lies in no rally and counts for nothing")
            continue
        key = (rally.clip, rally.rally_id)
        old = out.get(key, PointCorrection())
        new = PointCorrection(
            cast(Side, word.server) if word.server else old.server,
            cast(Side, word.winner) if word.winner in ("A", "B")
            else None if word.winner == "let" else old.winner,
            word.winner == "let" if word.winner else old.let,
        )  # fmt: skip
        told = word.winner and (old.winner or old.let) and (old.winner, old.let) != (
            new.winner, new.let
        )  # fmt: skip
        if told or (word.server and old.server not in (None, new.server)):
            notes.append(f"{where} contradicts an earlier word on that rally; the last one counts")
        out[key] = new
    return out, notes


def _rally_at(word: PointWord, rallies: Sequence[RallyRecord]) -> RallyRecord | None:
    """The rally that is on at a time, else the nearest within a second."""
    best, nearest = None, CORRECTION_SLACK_S
    for rally in rallies:
        times = [t for t in (rally.t_start_s, rally.t_end_s) if t is not None]
        if rally.clip != word.clip or not times:
            continue
        away = max(times[0] - word.t_s, word.t_s - times[-1], 0.0)
        if away < nearest:
            best, nearest = rally, away
    return best


def _corrected(rally: RallyRecord, word: PointCorrection | None) -> RallyRecord:
    if word is None:
        return rally
    server = word.server or rally.server
    outcome = rally.outcome
    if word.let:
        outcome = Outcome(None, "let", 1.0, "said by a person")
    elif word.winner is not None and word.winner != outcome.winner:
        outcome = Outcome(word.winner, "unknown", 1.0, "said by a person")
    elif word.winner is not None:
        outcome = replace(outcome, probability=1.0, doubt="")
    return replace(rally, server=server, outcome=outcome)


def _turned(
    rallies: Sequence[RallyRecord], strokes: Sequence[StrokeRecord], score: Sequence[ScoredRally]
) -> tuple[list[RallyRecord], list[StrokeRecord]]:
    """Names after changes of ends."""
    turned = {(s.clip, s.rally_id) for s in score if s.before.turned}
    out = [
        replace(r, names=(r.names[1], r.names[0])) if (r.clip, r.rally_id) in turned else r
        for r in rallies
    ]
    names = {(r.clip, r.rally_id): r.names for r in out}
    return out, [
        replace(s, player=names[s.clip, s.rally_id]["AB".index(s.end)])
        if s.rally_id is not None and (s.clip, s.rally_id) in names else s
        for s in strokes
    ]  # fmt: skip
