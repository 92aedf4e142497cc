"""Flights and play of one clip as rows of the tables; what is unknown becomes null."""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from halfvolley.errors import Unknown
from halfvolley.session.columns import MARKS, STATE
from halfvolley.session.schema import Session
from halfvolley.types import Arc, Contact, Flights, FloatArray, Moment, Play, Side

if TYPE_CHECKING:
    from halfvolley.camera import MarksCheck
    from halfvolley.flight import Drops

SOURCES = ("classical", "network", "recovered")
TURN_RAD = 2.0 * math.pi
MIN_HORIZONTAL_MPS = 0.5  # slower than this, topspin has no axis
MAX_SPIN_SD_REVPS = 25.0  # known less well than this, spin says nothing a prior does not
MAX_SPEED_SD_SHARE = 0.5  # known less well than this share of itself, a speed is not known
Row = dict[str, Any]


def contact_rows(clip: str, play: Play) -> Iterator[Row]:
    """Rows of `contacts`."""
    for played in play.contacts:
        contact = played.contact
        cov = contact.cov_xyz_m2
        speed_in = speed(contact.v_in_mps, contact.v_in_cov)
        speed_out = speed(contact.v_out_mps, contact.v_out_cov)
        spin_in = topspin_revps(
            contact.v_in_mps, contact.v_in_cov, contact.omega_in_radps, contact.omega_in_cov
        )
        spin_out = topspin_revps(
            contact.v_out_mps, contact.v_out_cov, contact.omega_out_radps, contact.omega_out_cov
        )
        yield {
            "clip": clip,
            "contact_id": contact.contact_id,
            "rally_id": played.rally_id,
            "kind": contact.kind,
            "t_s": contact.t_s,
            "t_sd_s": contact.t_sd_s,
            "x_m": contact.xyz_m[0],
            "y_m": contact.xyz_m[1],
            "z_m": 0.0 if contact.kind == "table" else contact.xyz_m[2],
            "cov_xx_m2": cov[0, 0],
            "cov_xy_m2": cov[0, 1],
            "cov_yy_m2": cov[1, 1],
            "side": played.side,
            "player": played.player,
            "speed_in_mps": speed_in[0],
            "speed_in_sd_mps": speed_in[1],
            "speed_out_mps": speed_out[0],
            "speed_out_sd_mps": speed_out[1],
            "spin_in_revps": spin_in[0],
            "spin_in_sd_revps": spin_in[1],
            "spin_out_revps": spin_out[0],
            "spin_out_sd_revps": spin_out[1],
            "probability": contact.probability,
        }


def arc_rows(clip: str, flights: Flights, play: Play) -> Iterator[Row]:
    """Rows of `arcs`."""
    rally_of = {p.contact.contact_id: p.rally_id for p in play.contacts}
    for arc in reported_arcs(flights, play):
        rally = rally_of.get(arc.contact_in)
        row: Row = {
            "clip": clip,
            "arc_id": arc.arc_id,
            "rally_id": rally if rally is not None else rally_of.get(arc.contact_out),
            "t0_s": arc.t0_s,
            "t1_s": arc.t1_s,
            "contact_in": _id(arc.contact_in, rally_of),
            "contact_out": _id(arc.contact_out, rally_of),
        }
        names = ("x0_m", "y0_m", "z0_m", "vx0_mps", "vy0_mps", "vz0_mps",
                 "wx0_radps", "wy0_radps", "wz0_radps")  # fmt: skip
        state = np.concatenate([arc.xyz_m, arc.v_mps, arc.omega_radps])
        row |= dict(zip(names, state, strict=True))
        row |= {f"cov_{STATE[i]}_{STATE[j]}": arc.cov[i, j] for i in range(9) for j in range(i, 9)}
        row |= {
            "drag": arc.drag,
            "lift": arc.lift,
            "lift_bend": arc.lift_bend,
            "n_detections": len(arc.rows),
            "residual_rms": arc.residual_rms,
        }
        yield row


def stroke_rows(clip: str, play: Play, session: Session) -> Iterator[Row]:
    """Rows of `strokes`."""
    contacts = {p.contact.contact_id: p.contact for p in play.contacts}
    for stroke in play.strokes:
        contact = contacts[stroke.contact_id]
        row: Row = {
            "clip": clip,
            "stroke_id": stroke.stroke_id,
            "contact_id": stroke.contact_id,
            "rally_id": stroke.rally_id,
            "number": stroke.number,
            "player": stroke.player,
            "player_name": player_name(session, stroke.player),
            "t_s": contact.t_s,
            "t_sd_s": contact.t_sd_s,
            "bounce_id": stroke.bounce_id,
        }
        yield row | _velocity_columns(contact) | _spin_columns(contact)


def rally_rows(clip: str, play: Play, session: Session) -> Iterator[Row]:
    """Rows of `rallies`."""
    for rally in play.rallies:
        bounces = [
            p for p in play.contacts if p.rally_id == rally.rally_id and p.contact.kind == "table"
        ]
        yield {
            "clip": clip,
            "rally_id": rally.rally_id,
            **_moment("start", rally.start),
            **_moment("end", rally.end),
            "server": rally.server,
            "server_name": player_name(session, rally.server),
            "n_strokes": rally.n_strokes,
            "n_bounces": len(bounces),
            "outcome": rally.outcome.how,
            "winner": rally.outcome.winner,
            "outcome_probability": (
                None if rally.outcome.how == "unknown" else rally.outcome.probability
            ),
            "doubt": rally.outcome.doubt or None,
        }


def _moment(name: str, moment: Moment | None) -> Row:
    """Columns of a rally's start or end."""
    return {
        f"t_{name}_s": None if moment is None else moment.t_s,
        f"t_{name}_sd_s": None if moment is None else moment.t_sd_s,
        name: None if moment is None else "seen" if moment.seen else "foretold",
    }


def reported_arcs(flights: Flights, play: Play) -> tuple[Arc, ...]:
    """Arcs that are in the tables: not those that touch only what is too doubtful to be there."""
    reported = {p.contact.contact_id for p in play.contacts}
    out = []
    for arc in flights.arcs:
        touched = {arc.contact_in, arc.contact_out} - {-1}
        if not touched or touched & reported:
            out.append(arc)
    return tuple(out)


def detection_columns(clip: str, flights: Flights, play: Play) -> dict[str, NDArray[Any]]:
    """Columns of `detections`; there are too many rows for one dict each."""
    d = flights.detections
    arc_id = np.full(len(d), -1, np.int64)
    for arc in reported_arcs(flights, play):
        arc_id[arc.rows] = arc.arc_id
    return {
        "clip": np.full(len(d), clip, object),
        "frame": d.frame,
        "t_s": d.t_s,
        "u_px": d.uv_px[:, 0],
        "v_px": d.uv_px[:, 1],
        "cov_uu_px2": d.cov_uv_px2[:, 0, 0],
        "cov_uv_px2": d.cov_uv_px2[:, 0, 1],
        "cov_vv_px2": d.cov_uv_px2[:, 1, 1],
        "radius_px": d.radius_px,
        "streak_u_px": d.streak_px[:, 0],
        "streak_v_px": d.streak_px[:, 1],
        "score": d.score,
        "source": np.array(SOURCES, object)[d.source],
        "arc_id": np.ma.masked_less(arc_id, 0),
    }


def drop_rows(clip: str, drops: "Drops | Unknown | None") -> Iterator[Row]:
    """Rows of `drops`."""
    for b in () if drops is None or isinstance(drops, Unknown) else drops.bounces:
        yield {
            "clip": clip,
            "drop_id": b.drop,
            "bounce": b.number,
            "contact_id": b.contact_id,
            "t_s": b.t_s,
            "t_sd_s": b.t_sd_s,
            "x_m": b.xy_m[0],
            "y_m": b.xy_m[1],
            "speed_in_mps": b.speed_in_mps,
            "speed_in_sd_mps": b.speed_in_sd_mps,
            "speed_out_mps": b.speed_out_mps,
            "speed_out_sd_mps": b.speed_out_sd_mps,
            "restitution": b.restitution,
            "restitution_sd": b.restitution_sd,
            "fall_m": b.fall_m,
            "fall_sd_m": b.fall_sd_m,
            "rise_m": b.rise_m,
            "rise_sd_m": b.rise_sd_m,
        }


def mark_rows(clip: str, check: "MarksCheck | Unknown | None", radius_m: float) -> Iterator[Row]:
    """Rows of `marks`, all of them, also those on which no ball was seen."""
    if check is None:
        return
    from halfvolley.camera import MARK_NAMES, marks_m

    seen = {} if isinstance(check, Unknown) else {mark.name: mark for mark in check.marks}
    for name, place in zip(MARK_NAMES, marks_m(radius_m), strict=True):
        row: Row = dict.fromkeys(column.name for column in MARKS)
        row |= {"clip": clip, "mark": name, "true_x_m": place[0], "true_y_m": place[1]}
        if mark := seen.get(name):
            row |= {
                "t_s": mark.t_s,
                "u_px": mark.uv_px[0],
                "v_px": mark.uv_px[1],
                "seen_x_m": mark.seen_m[0],
                "seen_y_m": mark.seen_m[1],
                "cov_xx_m2": mark.cov_m2[0, 0],
                "cov_xy_m2": mark.cov_m2[0, 1],
                "cov_yy_m2": mark.cov_m2[1, 1],
                "off_mm": mark.off_mm,
                "off_sd_mm": mark.sd_mm,
            }
        yield row


def player_name(session: Session, end: Side | None) -> str | None:
    """The name that session.toml gives to an end."""
    if end is None:
        return None
    return (session.player_a if end == "A" else session.player_b) or None


def speed(v_mps: FloatArray, cov: FloatArray) -> tuple[float | None, float | None]:
    """Speed and its standard deviation [m/s]; None where it is not known.

    Parameters
    ----------
    v_mps : (3,) array
        Velocity; NaN where it was not seen.
    cov : (3, 3) array
        Its covariance.
    """
    value = float(np.linalg.norm(v_mps))
    if not np.isfinite(value) or not np.all(np.isfinite(cov)):
        return None, None
    if value < 1e-9:
        sd = math.sqrt(float(np.trace(cov)))
    else:
        along = v_mps / value
        sd = math.sqrt(max(0.0, float(along @ cov @ along)))
    return (value, sd) if sd <= MAX_SPEED_SD_SHARE * max(value, 1.0) else (None, None)


def topspin_revps(
    v_mps: FloatArray, v_cov: FloatArray, omega_radps: FloatArray, omega_cov: FloatArray
) -> tuple[float | None, float | None]:
    """Spin about the horizontal axis across the flight, and its standard deviation [rev/s].

    Parameters
    ----------
    v_mps, v_cov : (3,) and (3, 3) arrays
        Velocity, which gives the axis: its horizontal direction turned left by a quarter.
    omega_radps, omega_cov : (3,) and (3, 3) arrays
        Spin.

    Returns
    -------
    tuple of float or None
        Positive is topspin. None where the ball hardly moves along the floor, or where its spin
        is known no better than before the clip was looked at.
    """
    arrays = (v_mps, v_cov, omega_radps, omega_cov)
    if not all(np.all(np.isfinite(a)) for a in arrays):
        return None, None
    horizontal = math.hypot(v_mps[0], v_mps[1])
    if horizontal < MIN_HORIZONTAL_MPS:
        return None, None
    along = np.array([v_mps[0], v_mps[1], 0.0]) / horizontal
    across = np.array([-along[1], along[0], 0.0])
    # the axis turns with the direction of flight: d(across)/d(angle) = -along
    angle_var = float(across @ v_cov @ across) / horizontal**2
    var = float(across @ omega_cov @ across) + float(along @ omega_radps) ** 2 * angle_var
    sd = math.sqrt(max(0.0, var)) / TURN_RAD
    if sd > MAX_SPIN_SD_REVPS:
        return None, None
    return float(across @ omega_radps) / TURN_RAD, sd


def _velocity_columns(contact: Contact) -> Row:
    value, sd = speed(contact.v_out_mps, contact.v_out_cov)
    known = value is not None
    row: Row = {"speed_mps": value, "speed_sd_mps": sd}
    axes = "xyz"
    for i in range(3):
        row[f"v{axes[i]}_mps"] = contact.v_out_mps[i] if known else None
        for j in range(i, 3):
            name = f"cov_v{axes[i]}_v{axes[j]}"
            row[name] = contact.v_out_cov[i, j] if known else None
    return row


def _spin_columns(contact: Contact) -> Row:
    cov = contact.omega_out_cov / TURN_RAD**2
    spin = contact.omega_out_radps / TURN_RAD
    with np.errstate(invalid="ignore"):
        sd = np.sqrt(np.diag(cov))
    known = np.isfinite(spin) & (sd <= MAX_SPIN_SD_REVPS)  # NaN compares as unknown
    row: Row = {}
    axes = "xyz"
    for i in range(3):
        row[f"spin_{axes[i]}_revps"] = spin[i] if known[i] else None
        for j in range(i, 3):
            name = f"cov_spin_{axes[i]}_{axes[j]}_revps2"
            row[name] = cov[i, j] if known[i] and known[j] else None
    return row


def _id(contact_id: int, reported: dict[int, Any]) -> int | None:
    """A contact's id, where the contacts table has it."""
    return contact_id if contact_id in reported else None
