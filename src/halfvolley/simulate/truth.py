"""What is true of a made clip, and the file that says so.

The file has the format ``footage-truth-1``; its own `conventions` say in words what each clock and
frame is.
"""

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from halfvolley.camera.projection import project
from halfvolley.errors import StorageError
from halfvolley.simulate.draw_ball import BallSeen
from halfvolley.simulate.lens import View
from halfvolley.simulate.path import Event, Game
from halfvolley.simulate.scene import Scene, net_tops, table_corners
from halfvolley.types import FloatArray

REV = 2.0 * np.pi
FORMAT = "footage-truth-1"

_CONVENTIONS = {
    "world": "origin at the centre of the playing surface, x along the length (player A at -x, "
    "B at +x), y along the width, z up; metres; floor z = -0.76",
    "pixels": "OpenCV: integer (u, v) is the centre of a pixel; x_cam = R x_world + t; distortion "
    "k1, k2 as cv2 (dist = [k1, k2, 0, 0, 0])",
    "shutter": "row v (0 = top) of the frame whose exposure starts at world time T is exposed "
    "from T + readout_s * v / height to that + exposure_s",
    "time": "world time T of a frame (start of the exposure of its row 0) = t_offset_s + pts * "
    "(1 + clock_ppm * 1e-6)",
    "audio": "a sound made at world time te at distance d from the camera is heard in the track "
    "at pts time (te + d / 343.2 - t_offset_s) / (1 + clock_ppm * 1e-6) + av_offset_s",
    "visible": "share of the ball's (time-averaged) image that is neither hidden nor outside the "
    "frame; mesh of the net counts by what it covers",
    "ball_t": "world time at the middle of the exposure of the row in which the ball's centre is "
    "then projected; xyz, vel, u, v are at that time; uv_start, uv_end are the streak's ends",
    "contrast": "largest 8-bit channel difference (0-255) that the ball makes to the picture in "
    "this frame, before noise and coding",
    "spin": "rev/s, right-handed vector in world axes; 'state' is one of hand, toss, flight, dead "
    "(after the point), rolling, rest",
}


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """A made clip with all that is known of it. Times in `game` and `balls` are world times."""

    scene: Scene
    path: Path
    pts_s: FloatArray  # (n,) as stored
    views: tuple[View, ...]  # n
    balls: tuple[BallSeen | None, ...]  # n, the ball in play
    others: tuple[tuple[BallSeen, ...], ...]  # n
    game: Game
    t_offset_s: float
    sound: bool
    cut_at: int | None = None  # frame of a cut to another view, which has other rules

    def clip_time(self, t_s: float) -> float:
        """A world time on the clip's own clock [s]."""
        return (t_s - self.t_offset_s) / (1.0 + self.scene.rig.clock_ppm * 1e-6)

    def events_in_clip(self) -> tuple[Event, ...]:
        """Touches between the first and the last frame."""
        a, b = float(self.pts_s[0]), float(self.pts_s[-1])
        return tuple(e for e in self.game.events if a <= self.clip_time(e.t_s) <= b)


def truth_path(clip: Path) -> Path:
    """The file beside a clip in which its truth is kept."""
    return clip.with_suffix(".json")


def write_truth(truth: Truth) -> Path:
    """Writes the truth beside the clip, whole or not at all.

    Parameters
    ----------
    truth : Truth
        Of a clip that has been written.

    Returns
    -------
    Path
        The file, named as the clip but ending in .json.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    where = truth_path(truth.path)
    part = where.with_name(f".{where.name}.{os.getpid()}.part")
    try:
        part.write_text(json.dumps(truth_document(truth)), encoding="utf-8")
        part.replace(where)
    except OSError as error:
        raise StorageError(
            f"could not write {where}: {error.strerror}; free some space or choose another folder"
        ) from None
    return where


def _list(values: FloatArray, digits: int) -> list[float]:
    return [round(float(v), digits) for v in values]


def truth_document(truth: Truth) -> dict[str, Any]:
    """The truth as it is stored."""
    rig, scene = truth.scene.rig, truth.scene
    first, last = truth.views[0], truth.views[-1]
    world = truth.t_offset_s + truth.pts_s * (1.0 + rig.clock_ppm * 1e-6)
    rallies = _rallies(truth)
    return {
        "format": FORMAT,
        "conventions": _CONVENTIONS,
        "clip": {
            "name": truth.path.stem,
            "file": truth.path.name,
            "title": scene.title,
            "width": rig.size_px[0],
            "height": rig.size_px[1],
            "nominal_fps": rig.fps,
            "frames": len(truth.pts_s),
            "duration_s": round(float(truth.pts_s[-1] - truth.pts_s[0]) + 1.0 / rig.fps, 6),
            "variable_frame_rate": bool(rig.interval_jitter > 0 or rig.drop_share > 0),
            "pts": _list(truth.pts_s, 6),
            "audio": truth.sound,
            "ball_colour": scene.ball.name,
            "no_ball": not truth.game.paths,
            "lamp_flicker": {"depth": rig.flicker_depth, "hz": rig.flicker_hz},
            "cut_at_frame": truth.cut_at,
            "players": {"A": scene.players[0].name, "B": scene.players[1].name},
        },
        "time": {
            "t_offset_s": truth.t_offset_s,
            "clock_ppm": rig.clock_ppm,
            "av_offset_s": rig.av_offset_s if truth.sound else None,
        },
        "camera": {
            "fx": float(first.lens[0]),
            "fy": float(first.lens[0]),
            "cx": float(first.lens[1]),
            "cy": float(first.lens[2]),
            "k1": rig.k1,
            "k2": rig.k2,
            "R": [_list(r, 9) for r in first.R],
            "t": _list(first.t_m, 7),
            "centre": _list(first.centre_m, 6),
            "readout_s": rig.readout_s,
            "exposure_s": rig.exposure_s,
            "pose_note": "R, t hold at the first frame; every frame carries rvec, tvec (Rodrigues)",
            "bump": rig.drift.bump_s,
        },
        "landmarks_first_frame": _landmarks(first, rig.size_px),
        "landmarks_last_frame": _landmarks(last, rig.size_px),
        "ball": _ball_facts(truth),
        "frames": [_frame(truth, i, float(t), truth.views[i]) for i, t in enumerate(world)],
        "events": [_event(truth, e) for e in truth.game.events],
        "strokes": _strokes(truth),
        "rallies": rallies,
        "summary": {
            "frames": len(truth.pts_s),
            "rallies": len(rallies),
            "table_bounces": sum(e.kind == "table" for e in truth.events_in_clip()),
            "strokes": sum(e.kind == "racket" for e in truth.events_in_clip()),
            "visible_share": round(
                float(np.mean([b.visible if b else 0.0 for b in truth.balls] or [0.0])), 3
            ),
        },
    }


def _landmarks(view: View, size_px: tuple[int, int]) -> dict[str, Any]:
    a = table_corners()
    names = ("corner_A_right", "corner_A_left", "corner_B_right", "corner_B_left")
    # (-,-) lies to the right of player A, who looks along +x; (+,+) to the right of player B
    points = dict(zip(names, (a[0], a[1], a[2], a[3]), strict=True))
    points["post_plus_y"], points["post_minus_y"] = net_tops()
    uv = project(view.camera(size_px), np.array(list(points.values())))
    return {
        name: {"xyz": _list(xyz, 4), "uv": _list(p, 3)}
        for (name, xyz), p in zip(points.items(), uv, strict=True)
    }


def _ball_facts(truth: Truth) -> dict[str, Any]:
    p = truth.scene.physics
    return {
        "radius_m": p.radius_m,
        "mass_kg": p.mass_kg,
        "gravity": p.gravity_mps2,
        "air_density": p.air_kgpm3,
        "cd": p.cd,
        "cd_spin": p.cd_spin,
        "drag": "Cd = cd * (1 + cd_spin * S), S = R*w/v",
        "magnus": "a = cl_scale*0.5*rho*A/m * Cl(S) * v^2 * (w_hat x v_hat), "
        + ("Cl = S" if p.linear_lift else "Cl = S/(2S+1)"),
        "cl_scale": p.lift,
        "spin_decay_tau_s": p.decay_tau_s,
        "table_restitution": "e = e0 - e1*|vn|",
        "e0": p.e0,
        "e1": p.e1,
        "mu_table": p.mu,
    }


def _ball(truth: Truth, b: BallSeen) -> dict[str, Any]:
    return {
        "id": b.ball_id,
        "state": b.state,
        "in_frame": b.in_frame,
        "visible": round(b.visible, 4),
        "t": round(b.t_s, 7),
        "pts_t": round(truth.clip_time(b.t_s), 7),
        "xyz": _list(b.xyz_m, 5),
        "vel": _list(b.v_mps, 4),
        "spin": _list(b.omega_radps / REV, 3),
        "u": round(float(b.uv_px[0]), 3),
        "v": round(float(b.uv_px[1]), 3),
        "radius_px": round(b.radius_px, 3),
        "blur_px": round(float(np.hypot(*(b.uv_end_px - b.uv_start_px))), 3),
        "uv_start": _list(b.uv_start_px, 3),
        "uv_end": _list(b.uv_end_px, 3),
        "contrast": round(b.contrast),
    }


def _frame(truth: Truth, i: int, t_world: float, view: View) -> dict[str, Any]:
    ball = truth.balls[i]
    rvec = np.asarray(cv2.Rodrigues(view.R)[0]).ravel()
    out: dict[str, Any] = {
        "i": i,
        "pts": round(float(truth.pts_s[i]), 6),
        "t_world": round(t_world, 7),
        "rvec": _list(rvec, 8),
        "tvec": _list(view.t_m, 7),
        "ball": _ball(truth, ball) if ball is not None else None,
        "other_balls": [
            {"u": round(float(b.uv_px[0]), 2), "v": round(float(b.uv_px[1]), 2),
             "radius_px": round(b.radius_px, 2), "visible": round(b.visible, 3), "state": b.state}
            for b in truth.others[i]
        ],
    }  # fmt: skip
    if not np.array_equal(view.lens, truth.views[0].lens):
        out["lens"] = _list(view.lens, 6)  # f, cx, cy, k1, k2 where they differ from the first
    return out


def _event(truth: Truth, e: Event) -> dict[str, Any]:
    a, b = float(truth.pts_s[0]), float(truth.pts_s[-1])
    t = truth.clip_time(e.t_s)
    out: dict[str, Any] = {
        "type": e.kind,
        "t": round(e.t_s, 7),
        "pts_t": round(t, 7),
        "in_clip": bool(a <= t <= b),
        "xyz": _list(e.xyz_m, 5),
        "centre": _list(e.centre_m, 5),
        "v_before": _list(e.v_before_mps, 4),
        "v_after": _list(e.v_after_mps, 4),
        "spin_before": _list(e.omega_before_radps / REV, 3),
        "spin_after": _list(e.omega_after_radps / REV, 3),
        "rally": e.rally,
    }
    if e.player is not None:
        out["player"] = e.player
    if e.kind == "net":
        out["cord"] = e.cord
    return out


def _strokes(truth: Truth) -> list[dict[str, Any]]:
    return [
        {
            "rally": s.rally,
            "n": s.number,
            "player": s.player,
            "t": round(s.t_s, 7),
            "pts_t": round(truth.clip_time(s.t_s), 7),
            "kind": s.kind,
            "speed": round(float(np.linalg.norm(s.v_mps)), 4),
            "vel": _list(s.v_mps, 4),
            "spin": _list(s.omega_radps / REV, 3),
            "spin_rps": round(float(np.linalg.norm(s.omega_radps)) / REV, 3),
        }
        for s in truth.game.strokes
    ]


def _rallies(truth: Truth) -> list[dict[str, Any]]:
    end = truth.t_offset_s + float(truth.pts_s[-1]) * (1 + truth.scene.rig.clock_ppm * 1e-6)
    return [
        {
            "id": r.rally,
            "server": r.server,
            "t_start": round(r.t_start_s, 6),
            "t_serve": round(r.t_serve_s, 6),
            "t_end": round(r.t_end_s, 6),
            "strokes": r.n_strokes,
            "ends_in_clip": bool(r.t_end_s <= end),
            "outcome": {"winner": r.winner, "reason": r.reason},
            "events": [i for i, e in enumerate(truth.game.events) if e.rally == r.rally],
        }
        for r in truth.game.rallies
        if r.t_start_s < end
    ]
