"""Which smooth pieces of image motion can be a ball in flight near this table."""

from dataclasses import dataclass

import numpy as np

from halfvolley.constants import BALL_RADIUS_M, MAX_BALL_SPEED_MPS
from halfvolley.flight.kernels import fit_free
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.sights import Sights
from halfvolley.physics.kernels import fly
from halfvolley.types import FloatArray, IntArray

PLACE_M = (0.0, 0.0, 0.2)  # where play happens, and how far it spreads (2 sd hold nearly all)
PLACE_SD_M = (1.6, 0.9, 0.45)
VELOCITY_SD_MPS = (9.0, 3.0, 4.0)
SPIN_SD_RADPS = (150.0, 250.0, 150.0)  # 40 rev/s of topspin, less of the others


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece of image motion that a ball in flight explains."""

    rows: IntArray  # rows of the Sights, in frame order
    t_s: float  # reference time of the state, the middle of the piece [s]
    t0_s: float
    t1_s: float
    state: FloatArray  # (9,) place, velocity, spin
    info: FloatArray  # (9, 9) information of the state
    cost: float  # Huber's, of sightings and prior
    gain: float  # log-odds that it is a ball rather than anything else


def prior(sides: int) -> tuple[FloatArray, FloatArray]:
    """Mean and diagonal information of a `fit_free` state with one or two sides."""
    sd = np.concatenate([PLACE_SD_M, *([*VELOCITY_SD_MPS, *SPIN_SD_RADPS],) * sides])
    mean = np.concatenate([PLACE_M, np.zeros(6 * sides)])
    return mean, 1.0 / np.asarray(sd, dtype=np.float64) ** 2


def fit_piece(
    rows: IntArray, seen: Sights, f_px: float, settings: FlightSettings
) -> Piece | None:
    """The flight that explains a piece, or None where none does."""
    s = seen.take(rows)
    t_mid = 0.5 * (s.t_s[0] + s.t_s[-1])
    tau = s.t_s - t_mid
    mean, weight = prior(1)
    state, info, cost, free = fit_free(
        mean, tau, len(tau), s.R, s.t_m, s.ab, s.sd, mean, weight, settings.air, 12
    )
    excess = cost - free - 3.0
    if excess > settings.piece_excess * max(free, 1.0) or not np.isfinite(cost):
        return None
    if not _possible(places(state, tau[[0, -1]], settings), s, state, f_px, settings):
        return None
    gain = float(np.sum(0.6 + s.score)) - 0.5 * max(excess, 0.0) - settings.piece_penalty
    return Piece(rows, t_mid, float(s.t_s[0]), float(s.t_s[-1]), state, info, cost, gain)


def find_pieces(
    members: tuple[IntArray, ...], seen: Sights, f_px: float, settings: FlightSettings
) -> list[Piece]:
    """All pieces, or parts of them, that a ball in flight explains; in time order.

    A piece that does not fit as a whole may hold a contact that the picture hardly shows: its
    longest fitting end is taken and the rest is looked at again.
    """
    found: dict[tuple[int, int, int], Piece] = {}
    waiting = [m for m in members]
    while waiting:
        rows = waiting.pop()
        key = (int(rows[0]), int(rows[-1]), len(rows))
        if key in found:
            continue
        whole = fit_piece(rows, seen, f_px, settings)
        if whole is not None:
            whole = _trimmed(whole, seen, f_px, settings)
            found[(int(whole.rows[0]), int(whole.rows[-1]), len(whole.rows))] = whole
        elif len(rows) >= settings.shortest_split:
            head = _longest(rows, 1, seen, f_px, settings)
            tail = _longest(rows[::-1], -1, seen, f_px, settings)
            if max(head, tail) >= 3:
                cut = head if head >= tail else len(rows) - tail
                waiting += [part for part in (rows[:cut], rows[cut:]) if len(part) >= 3]
    return sorted(found.values(), key=lambda piece: (piece.t0_s, -len(piece.rows)))


def _trimmed(piece: Piece, seen: Sights, f_px: float, settings: FlightSettings) -> Piece:
    """The piece without ends that lie beyond a contact: each costs more than it tells."""
    while len(piece.rows) > 4:
        ends = [fit_piece(r, seen, f_px, settings) for r in (piece.rows[1:], piece.rows[:-1])]
        shorter = min((e for e in ends if e is not None), key=lambda e: e.cost, default=None)
        if shorter is None or piece.cost - shorter.cost < settings.trim_cost:
            break
        piece = shorter
    return piece


def _longest(
    rows: IntArray, way: int, seen: Sights, f_px: float, settings: FlightSettings
) -> int:
    """Length of the longest fitting start of `rows` (given backwards where `way` is -1)."""
    low, high = 2, len(rows)  # low fits (or is too short to ask), high does not
    while high - low > 1:
        middle = (low + high) // 2
        part = rows[:middle][::way]
        if fit_piece(np.ascontiguousarray(part), seen, f_px, settings) is None:
            high = middle
        else:
            low = middle
    return low


def places(state: FloatArray, tau_s: FloatArray, settings: FlightSettings) -> FloatArray:
    """(n, 3) places of a flight at times from its reference, ascending [m]."""
    g, b, drag, lift, decay, radius = settings.air
    return fly(state[:3], state[3:6], state[6:9], g, b, drag, lift, decay, radius, 0, tau_s)[:, :3]


def _possible(
    ends: FloatArray, s: Sights, state: FloatArray, f_px: float, settings: FlightSettings
) -> bool:  # fmt: skip
    """Inside the hall, no faster than a ball can be, and of a ball's size there."""
    low, high = np.array(settings.hall_low_m), np.array(settings.hall_high_m)
    speed = float(np.linalg.norm(state[3:6]))
    if np.any(ends < low) or np.any(ends > high) or speed > MAX_BALL_SPEED_MPS.value:
        return False
    k = len(s) // 2
    depth = float(s.R[k, 2] @ state[:3] + s.t_m[k, 2])
    if depth <= 0.3:
        return False
    expected = f_px * BALL_RADIUS_M.value / depth
    ratio = float(np.median(s.radius_px)) / expected
    return bool(1.0 / settings.size_ratio < ratio < settings.size_ratio)
