"""Whether two pieces meet, and in what: the same flight, a bounce, a racket, the net, the floor."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from halfvolley.constants import (
    BALL_RADIUS_M,
    NET_HEIGHT_M,
    NET_OVERHANG_M,
    TABLE_HEIGHT_M,
    TABLE_LENGTH_M,
    TABLE_WIDTH_M,
)
from halfvolley.flight.kernels import fit_free
from halfvolley.flight.pieces import Piece, flown, places, prior
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.sights import Sights
from halfvolley.physics.kernels import bounce
from halfvolley.types import ContactKind, FloatArray

R = BALL_RADIUS_M.value
HALF_LENGTH_M = TABLE_LENGTH_M.value / 2
HALF_WIDTH_M = TABLE_WIDTH_M.value / 2
FLOOR_Z_M = -TABLE_HEIGHT_M.value + R
PLANE_SD_M = 0.002  # how flat and level a table is
RESTITUTION_SD = 0.04
OTHER_COST = 14.0  # -2 log-prior of a touch that nothing explains
LOW_STROKE_M, HIGH_STROKE_M = -0.1, 1.3  # a ball is seldom let fall lower, nor is an arm longer
STROKE_SD_M = 0.2
SUNK_SD_M = 0.1  # how well a place far from the table is known, and how level halls are
UNDER_SD_M = 0.03  # how well a place on the table is known in height
BLADE_M = 0.06  # a racket under or behind the ball has no room over the table lower than this
TANGENTIAL_SD = 0.30  # of the change that full grip would make: friction and spin unknown

Kind = Literal["same"] | ContactKind
FREE_KINDS: tuple[Kind, ...] = ("racket", "net", "other")


@dataclass(frozen=True, slots=True, eq=False)
class Junction:
    """Two pieces that meet: the state at the touch and what it costs beyond both alone."""

    kind: Kind
    t_s: float
    state: FloatArray  # (17,) place, velocity and spin before, and after, time from t_s, drag
    cost: float  # -2 log-likelihood beyond that of the two pieces alone
    weights: tuple[tuple[Kind, float], ...] = ()  # cost of each kind that was asked


def _together(a: Piece, b: Piece, seen: Sights) -> tuple[Sights, int]:
    """Sightings of both, with those that both claim given to the later piece."""
    before = a.rows[seen.frame[a.rows] < seen.frame[b.rows[0]]]
    return seen.take(np.concatenate([before, b.rows])), len(before)


def _shares(a: Piece, b: Piece, seen: Sights) -> list[tuple[Sights, int]]:
    """Sightings of both; those that both claim are given to the later and to the earlier piece."""
    ways = [_together(a, b, seen)]
    if seen.frame[a.rows[-1]] >= seen.frame[b.rows[0]]:
        after = b.rows[seen.frame[b.rows] > seen.frame[a.rows[-1]]]
        if len(after) >= 2:
            ways.append((seen.take(np.concatenate([a.rows, after])), len(a.rows)))
    return ways


def join_same(a: Piece, b: Piece, seen: Sights, settings: FlightSettings) -> Junction:
    """Both pieces as one flight whose middle was not seen."""
    s, _ = _together(a, b, seen)
    t = 0.5 * (a.t1_s + b.t0_s)
    mean, weight = prior(settings)
    longer = a if len(a.rows) >= len(b.rows) else b
    start = np.append(_state_at(longer, t, settings), longer.state[9])
    air = settings.piece_air(a.state[3:6], b.state[3:6])
    x, _, cost, _ = fit_free(
        start, s.t_s - t, len(s), s.R, s.t_m, s.ab, s.sd, mean, weight, air, 10
    )
    state = np.concatenate([x[:9], x[3:9], [0.0], x[9:]])
    return Junction("same", t, state, cost - a.cost - b.cost)


def join(
    a: Piece,
    b: Piece,
    seen: Sights,
    settings: FlightSettings,
    height_m: float | None = None,
) -> Junction:
    """Both pieces as two flights that touch something in between, at a known height if given.

    The cost is that of the sightings; kinds other than 'other' are judged by `judge`.
    """
    ways = [_touching(a, b, *way, settings, height_m) for way in _shares(a, b, seen)]
    return min(ways, key=lambda junction: junction.cost)


def _touching(
    a: Piece, b: Piece, s: Sights, n_before: int, settings: FlightSettings, height_m: float | None
) -> Junction:
    # between the sightings that are left to each, not between the ends that both claim
    last, first_after = float(s.t_s[n_before - 1]), float(s.t_s[n_before])
    t = 0.5 * (last + first_after)
    mean, weight = prior(settings, 0.3 * (first_after - last) + settings.touch_sd_s)
    first, second = _state_at(a, t, settings), _state_at(b, t, settings)
    drag = (a if len(a.rows) >= len(b.rows) else b).state[9]
    start = np.concatenate([0.5 * (first[:3] + second[:3]), first[3:], second[3:], [0.0, drag]])
    if height_m is not None:
        mean[2], weight[2] = height_m, 1.0 / PLANE_SD_M**2
        start = _on_plane(start, s, n_before, height_m)
    air = settings.piece_air(a.state[3:6], b.state[3:6])
    x, _, cost, _ = fit_free(
        start, s.t_s - t, n_before, s.R, s.t_m, s.ab, s.sd, mean, weight, air, 14
    )
    return Junction("other", t, x, cost - a.cost - b.cost)


def _on_plane(start: FloatArray, s: Sights, n_before: int, height_m: float) -> FloatArray:
    """The start moved along its line of sight to a height; velocities scale with the distance."""
    row = min(n_before, len(s) - 1)
    eye = -s.R[row].T @ s.t_m[row]
    away = start[:3] - eye
    if abs(away[2]) < 1e-6 or (height_m - eye[2]) / away[2] <= 0.1:
        return start
    scale = min((height_m - eye[2]) / away[2], 3.0)
    out = start.copy()
    out[:3] = eye + scale * away
    out[3:6] *= scale
    out[9:12] *= scale
    return out


def bounces(a: Piece, b: Piece, seen: Sights, settings: FlightSettings) -> bool:
    """Whether the two meet in a bounce on this table."""
    table = join(a, b, seen, settings, R)
    return table.cost + bounce_cost(table.state) < settings.junction_cost


def judge(a: Piece, b: Piece, seen: Sights, settings: FlightSettings) -> Junction:
    """The kind of touch between two pieces, by the cost of each kind that the place allows."""
    free = join(a, b, seen, settings)
    asked: list[tuple[float, Kind, Junction]] = []
    same = join_same(a, b, seen, settings)
    asked.append((same.cost, "same", same))
    table = join(a, b, seen, settings, R)
    asked.append((table.cost + bounce_cost(table.state), "table", table))
    floor = join(a, b, seen, settings, FLOOR_Z_M)
    asked.append((floor.cost + _floor_cost(floor.state), "floor", floor))
    for kind in FREE_KINDS:
        asked.append((free.cost + place_cost(kind, free.state), kind, free))
    cost, kind, best = min(asked, key=lambda item: item[0])
    weights = tuple((k, c) for c, k, _ in asked)
    return Junction(kind, best.t_s, best.state, cost, weights)


def _state_at(piece: Piece, t: float, settings: FlightSettings) -> FloatArray:
    """State (9,) of a piece's flight at a time."""
    return flown(piece.state, t - piece.t_s, settings)


def outside(x: float, y: float, margin_m: float = 0.0) -> float:
    """How far a place lies outside the table, widened by a margin, seen from above [m]."""
    beyond_x = max(abs(x) - HALF_LENGTH_M - margin_m, 0.0)
    beyond_y = max(abs(y) - HALF_WIDTH_M - margin_m, 0.0)
    return float(np.hypot(beyond_x, beyond_y))


def place_cost(kind: Kind, x: FloatArray) -> float:
    """-2 log-prior of a kind of touch at a place and with the velocities of a state (16,)."""
    if kind == "table":
        beyond = max(outside(x[0], x[1]) - 0.01, 0.0)
        return min((beyond / 0.02) ** 2, 80.0)
    if kind == "floor":
        return 7.0 if outside(x[0], x[1]) == 0.0 else 3.0  # seldom under the table
    sunk = min((max(FLOOR_Z_M - x[2], 0.0) / SUNK_SD_M) ** 2, 80.0)  # nothing is below the floor
    if kind == "racket":
        return _racket_cost(x) + sunk
    if kind == "net":
        return _net_cost(x)
    return OTHER_COST + sunk


def _plane_cost(x: FloatArray) -> float:
    """-2 log-likelihood that velocities before and after belong to a bounce on a level plane."""
    v_in, w_in, v_out = x[3:6], x[6:9], x[9:12]
    if v_in[2] > -0.15 or v_out[2] < 0.05:
        return 60.0 + 20.0 * (max(v_in[2], 0.0) + max(-v_out[2], 0.0))
    v_law, _ = bounce(v_in, w_in, 0.92, 0.01, 0.25, R)
    vertical = (v_out[2] - v_law[2]) / (RESTITUTION_SD * abs(v_in[2]) + 0.15)
    limit = 0.45 * 1.9 * abs(v_in[2])  # friction of 0.45 is beyond any table
    miss = max(float(np.hypot(*(v_out[:2] - v_law[:2]))) - 0.3, 0.0)
    return vertical**2 + (miss / (TANGENTIAL_SD * limit + 0.3)) ** 2


def bounce_cost(x: FloatArray) -> float:
    """-2 log-likelihood of a table bounce beyond the sightings: place and law."""
    return place_cost("table", x) + min(_plane_cost(x), 80.0)


def _floor_cost(x: FloatArray) -> float:
    return place_cost("floor", x) + min(_plane_cost(x) / 2.0, 80.0)


def _racket_cost(x: FloatArray) -> float:
    """A racket strikes near an end and above the table, mostly turns the ball, and gives it speed.

    Within the table's outline nothing strikes a ball below its surface, and hardly just above.
    """
    turned = float(x[3] * x[9])
    far = max(0.9 - abs(x[0]), 0.0) / 0.25
    inward = x[9] * np.sign(x[0])
    cost = 5.0 + far**2 + (0.0 if turned < 0 or abs(x[3]) < 1.0 else 8.0)
    cost += (max(LOW_STROKE_M - x[2], x[2] - HIGH_STROKE_M, 0.0) / STROKE_SD_M) ** 2
    if outside(x[0], x[1]) == 0.0:
        cost += min((max(BLADE_M - x[2], 0.0) / UNDER_SD_M) ** 2, 80.0)
    return float(cost + (6.0 if inward > 1.0 else 0.0))


def _net_cost(x: FloatArray) -> float:
    top = NET_HEIGHT_M.value + R
    wide = HALF_WIDTH_M + NET_OVERHANG_M.value
    off = max(abs(x[0]) - R, 0.0) / 0.03
    high = max(x[2] - top, 0.0) / 0.02
    side = max(abs(x[1]) - wide, 0.0) / 0.02
    faster = max(float(np.linalg.norm(x[9:12]) - np.linalg.norm(x[3:6])), 0.0) / 0.5
    return float(6.0 + off**2 + high**2 + side**2 + faster**2)


__all__ = ["Junction", "bounce_cost", "join", "join_same", "judge", "outside", "places"]
