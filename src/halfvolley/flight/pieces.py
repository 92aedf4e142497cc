"""Which smooth pieces of image motion can be a ball in flight near this table."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from halfvolley.constants import BALL_RADIUS_M, MAX_BALL_SPEED_MPS
from halfvolley.flight import kernels
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.sights import Sights
from halfvolley.physics.kernels import fly
from halfvolley.types import FloatArray, IntArray

PLACE_M = (0.0, 0.0, 0.2)  # where play happens, and how far it spreads (2 sd hold nearly all)
PLACE_SD_M = (1.6, 0.9, 0.45)
VELOCITY_SD_MPS = (9.0, 3.0, 4.0)
SPIN_SD_RADPS = (150.0, 380.0, 150.0)  # 60 rev/s of topspin, less of the others


Prior = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece of image motion that a ball in flight explains."""

    rows: IntArray  # rows of the Sights, in frame order
    t_s: float  # reference time of the state, the middle of the piece [s]
    t0_s: float
    t1_s: float
    state: FloatArray  # (10,) place, velocity, spin, drag coefficient
    cov: FloatArray  # (6, 6) of place and velocity
    cost: float  # robust, of sightings and prior
    excess: float  # cost beyond what is expected of so many sightings
    gain: float  # log-odds that it is a ball rather than anything else


def prior(settings: FlightSettings, touch_sd_s: float | None = None) -> Prior:
    """Mean and diagonal information of a `fit_free` state: of one arc, or of two that touch."""
    one = [*VELOCITY_SD_MPS, *SPIN_SD_RADPS]
    sides = one if touch_sd_s is None else [*one, *one, touch_sd_s]
    sd = np.array([*PLACE_SD_M, *sides, settings.drag_sd])
    mean = np.array([*PLACE_M, *(0.0,) * len(sides), settings.air[2]])
    return mean, sd**-2.0


def fit_pieces(
    members: Sequence[IntArray], seen: Sights, f_px: float, settings: FlightSettings
) -> list[Piece | None]:
    """For each piece the flight that explains it, or None where none does."""
    out: list[Piece | None] = [None] * len(members)
    if not members:
        return out
    begin = np.cumsum([0] + [len(rows) for rows in members[:-1]])
    # log-odds of each piece if a flight explained it perfectly
    promise = np.add.reduceat(seen.odds[np.concatenate(members)], begin) - settings.piece_penalty
    promising = [int(i) for i in np.flatnonzero(promise > settings.least_gain)]
    if not promising:
        return out
    rows = np.concatenate([members[i] for i in promising])
    starts = np.cumsum([0] + [len(members[i]) for i in promising])
    mean, weight = prior(settings)
    state, info, cost, free = kernels.fit_pieces(
        rows, starts, seen.t_s, seen.R, seen.t_m, seen.ab, seen.sd, mean, weight, settings.air, 12
    )
    excess = cost - free - 3.0
    fits = np.flatnonzero(excess <= settings.piece_excess * np.maximum(free, 1.0))
    for k in fits:
        i = promising[k]
        piece = _piece(
            members[i], state[k], info[k], float(cost[k]), float(excess[k]), seen, promise[i]
        )
        if _possible(piece, seen, f_px, settings):
            out[i] = piece
    return out


def _piece(
    rows: IntArray, state: FloatArray, info: FloatArray, cost: float, excess: float, seen: Sights,
    promise: float,
) -> Piece:  # fmt: skip
    t0, t1 = float(seen.t_s[rows[0]]), float(seen.t_s[rows[-1]])
    gain = promise - 0.5 * max(excess, 0.0)
    cov = np.ascontiguousarray(np.linalg.inv(info)[:6, :6])
    return Piece(rows, 0.5 * (t0 + t1), t0, t1, state, cov, cost, excess, float(gain))


def find_pieces(
    members: tuple[IntArray, ...], seen: Sights, f_px: float, settings: FlightSettings
) -> list[Piece]:
    """All pieces, or parts of them, that a ball in flight explains; in time order.

    A piece that does not fit as a whole may hold a contact that the picture hardly shows: its
    longest fitting end is taken and the rest is looked at again.
    """
    found: dict[tuple[int, int, int], Piece] = {}
    waiting = list(members)
    for _ in range(settings.most_splits + 1):
        fitted = fit_pieces(waiting, seen, f_px, settings)
        whole = _trimmed([p for p in fitted if p is not None], seen, f_px, settings)
        whole += _parts_of_bent(whole, seen, f_px, settings)
        found |= {(int(p.rows[0]), int(p.rows[-1]), len(p.rows)): p for p in whole}
        left = [
            rows
            for rows, piece in zip(waiting, fitted, strict=True)
            if piece is None
            and len(rows) >= settings.shortest_split
            and np.mean(seen.score[rows]) > settings.split_score
        ]
        waiting = _split(left, seen, f_px, settings)
    whole = _not_within(found.values(), settings)
    return sorted(whole, key=lambda piece: (piece.t0_s, -len(piece.rows)))


def _not_within(pieces: Iterable[Piece], settings: FlightSettings) -> list[Piece]:
    """Pieces whose sightings are not all part of a longer piece that fits as well."""
    kept: list[Piece] = []
    owners: dict[int, set[int]] = {}
    for piece in sorted(pieces, key=lambda p: -len(p.rows)):
        rows = piece.rows.tolist()
        longer = set.intersection(*(owners.get(row, set()) for row in rows))
        if any(kept[i].excess < piece.excess + settings.whole_cost for i in longer):
            continue
        for row in rows:
            owners.setdefault(row, set()).add(len(kept))
        kept.append(piece)
    return kept


def _trimmed(
    pieces: list[Piece], seen: Sights, f_px: float, settings: FlightSettings
) -> list[Piece]:
    """Pieces without ends that lie beyond a contact: each costs more than it tells."""
    done: list[Piece] = []
    while pieces:
        odd = [len(p.rows) > 4 and p.excess > settings.trim_cost / 2.0 for p in pieces]
        done += [p for p, o in zip(pieces, odd, strict=True) if not o]
        pieces = [p for p, o in zip(pieces, odd, strict=True) if o]
        ends = fit_pieces(
            [p.rows[1:] for p in pieces] + [p.rows[:-1] for p in pieces], seen, f_px, settings
        )
        again = []
        for piece, *shorter in zip(pieces, ends[: len(pieces)], ends[len(pieces) :], strict=True):
            best = min((e for e in shorter if e is not None), key=lambda e: e.cost, default=None)
            if best is not None and piece.cost - best.cost > settings.trim_cost:
                again.append(best)
            else:
                done.append(piece)
        pieces = again
    return done


def _parts_of_bent(
    pieces: list[Piece], seen: Sights, f_px: float, settings: FlightSettings
) -> list[Piece]:
    """Both parts of pieces that fit, but clearly better as to and fro: a stroke seen end-on.

    Every place to cut is tried; the whole piece stays a rival of its parts.
    """
    bent = [p for p in pieces if p.excess > settings.bent_excess and len(p.rows) >= 8]
    cuts = [(k, at) for k, p in enumerate(bent) for at in range(4, len(p.rows) - 3)]
    fitted = fit_pieces(
        [bent[k].rows[:at] for k, at in cuts] + [bent[k].rows[at:] for k, at in cuts],
        seen, f_px, settings,
    )  # fmt: skip
    best: dict[int, tuple[float, Piece, Piece]] = {}
    for (k, _), one, two in zip(cuts, fitted[: len(cuts)], fitted[len(cuts) :], strict=True):
        if one is not None and two is not None and one.state[3] * two.state[3] < 0.0:
            cost = one.cost + two.cost
            if cost < min(bent[k].cost - settings.trim_cost, best.get(k, (np.inf,))[0]):
                best[k] = (cost, one, two)
    return [part for _, *parts in best.values() for part in parts]


def _split(
    members: list[IntArray], seen: Sights, f_px: float, settings: FlightSettings
) -> list[IntArray]:
    """Each piece cut in two where its longest fitting end, first or last, stops fitting."""
    head = _longest(members, seen, f_px, settings, from_end=False)
    tail = _longest(members, seen, f_px, settings, from_end=True)
    out = []
    for rows, h, t in zip(members, head, tail, strict=True):
        if max(h, t) >= 3:
            cut = h if h >= t else len(rows) - t
            out += [part for part in (rows[:cut], rows[cut:]) if len(part) >= 3]
    return out


def _longest(
    members: list[IntArray], seen: Sights, f_px: float, settings: FlightSettings, from_end: bool
) -> IntArray:
    """(m,) length of the longest fitting start (or end) of each piece, all bisected together."""
    low = np.full(len(members), 2)  # fits, or is too short to ask
    high = np.array([len(rows) for rows in members])  # does not fit
    while np.any(high - low > 1):
        middle = (low + high) // 2
        parts = [
            rows[len(rows) - n :] if from_end else rows[:n]
            for rows, n in zip(members, middle, strict=True)
        ]
        fits = np.array([p is not None for p in fit_pieces(parts, seen, f_px, settings)], bool)
        open_ = high - low > 1
        low = np.where(open_ & fits, middle, low)
        high = np.where(open_ & ~fits, middle, high)
    return low


def places(state: FloatArray, tau_s: FloatArray, settings: FlightSettings) -> FloatArray:
    """(n, 3) places of a flight at times from its reference, ascending [m]."""
    g, b, _, lift, decay, radius, bend = settings.air
    return fly(
        state[:3], state[3:6], state[6:9], g, b, state[9], lift, decay, radius, bend, tau_s
    )[:, :3]  # fmt: skip


def _possible(piece: Piece, seen: Sights, f_px: float, settings: FlightSettings) -> bool:
    """Moving, inside the hall, no faster than a ball can be, and of a ball's size there."""
    radius_px = float(np.median(seen.radius_px[piece.rows]))
    if math.hypot(*np.ptp(seen.uv_px[piece.rows], axis=0)) < settings.still_radii * radius_px:
        return False
    low, high = np.array(settings.hall_low_m), np.array(settings.hall_high_m)
    half = 0.5 * (piece.t1_s - piece.t0_s)
    ends = places(piece.state, np.array([-half, half]), settings)
    speed = float(np.linalg.norm(piece.state[3:6]))
    if np.any(ends < low) or np.any(ends > high) or speed > MAX_BALL_SPEED_MPS.value:
        return False
    k = piece.rows[len(piece.rows) // 2]
    depth = float(seen.R[k, 2] @ piece.state[:3] + seen.t_m[k, 2])
    if depth <= 0.3:
        return False
    expected = f_px * BALL_RADIUS_M.value / depth
    return 1.0 / settings.size_ratio < radius_px / expected < settings.size_ratio
