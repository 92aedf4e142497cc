"""Which smooth pieces of image motion can be a ball in flight near this table."""

import itertools
import math
import statistics
from collections.abc import Generator, Iterable, Sequence
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
_Key = tuple[int, int, int]  # first and last row of a run, and how many


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
    fall: float  # by how much more an even motion in the picture would cost
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
    promising = [i for i, rows in enumerate(members) if _promises(rows, seen, settings)]
    if not promising:
        return out
    rows = np.concatenate([members[i] for i in promising])
    starts = np.cumsum([0] + [len(members[i]) for i in promising])
    state, info, cost, free, even = _fits(rows, starts, seen, settings)
    excess = cost - free - 3.0
    fall = even - (2.0 * np.diff(starts) - 4.0) - excess
    fits = np.flatnonzero(excess <= settings.piece_excess * np.maximum(free, 1.0))
    for k in fits:
        i = promising[k]
        piece = _piece(
            members[i], state[k], info[k], float(cost[k]), float(excess[k]), float(fall[k]), seen,
            settings,
        )  # fmt: skip
        if _possible(piece, seen, f_px, settings):
            out[i] = piece
    return out


def _fits(
    rows: IntArray, starts: IntArray, seen: Sights, settings: FlightSettings
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """What `kernels.fit_pieces` gives, of the law that suits each piece's speed."""
    mean, weight = prior(settings)
    sights = seen.t_s, seen.R, seen.t_m, seen.ab, seen.sd, mean, weight
    out = kernels.fit_pieces(rows, starts, *sights, settings.air, 12)
    fast = np.flatnonzero(np.abs(out[0][:, 3]) >= settings.fast_mps)
    if len(fast):
        own = [rows[starts[k] : starts[k + 1]] for k in fast]
        begins = np.cumsum([0] + [len(run) for run in own])
        air = settings.piece_air(out[0][fast[0], 3:6])
        again = kernels.fit_pieces(np.concatenate(own), begins, *sights, air, 12)
        for whole, part in zip(out, again, strict=True):
            whole[fast] = part
    return out


def _promise(rows: IntArray, seen: Sights, settings: FlightSettings) -> float:
    """Log-odds of a piece if a flight explained it perfectly."""
    return float(np.sum(seen.odds[rows])) - settings.piece_penalty


def _promises(rows: IntArray, seen: Sights, settings: FlightSettings) -> bool:
    return _promise(rows, seen, settings) > settings.least_gain


def _piece(
    rows: IntArray, state: FloatArray, info: FloatArray, cost: float, excess: float, fall: float,
    seen: Sights, settings: FlightSettings,
) -> Piece:  # fmt: skip
    t0, t1 = float(seen.t_s[rows[0]]), float(seen.t_s[rows[-1]])
    # what falls no more than it moves evenly, within its errors, may as well lie or roll
    gain = min(
        _promise(rows, seen, settings) - 0.5 * max(excess, 0.0), settings.even_gain + 0.5 * fall
    )
    cov = np.ascontiguousarray(np.linalg.inv(info)[:6, :6])
    return Piece(rows, 0.5 * (t0 + t1), t0, t1, state, cov, cost, excess, fall, gain)


def find_pieces(
    members: Sequence[IntArray], seen: Sights, f_px: float, settings: FlightSettings
) -> list[Piece]:
    """All pieces, or parts of them, that a ball in flight explains; in time order.

    A piece that does not fit as a whole may hold contacts that the picture hardly shows: all its
    longest runs that fit are taken, and where two of them share sightings, both cut there as well.
    """
    fitted = fit_pieces(members, seen, f_px, settings)
    bent = [
        rows
        for rows, piece in zip(members, fitted, strict=True)
        if piece is None and len(rows) >= settings.shortest_split
    ]
    found = [p for p in fitted if p is not None] + _longest_runs(bent, seen, f_px, settings)
    whole = _trimmed(found, seen, f_px, settings)
    whole = _not_within({_key(p.rows): p for p in whole}.values(), settings)
    parts = _parts_of_bent(whole, seen, f_px, settings)
    known = {_key(p.rows) for p in whole}
    whole += {k: p for p in parts if (k := _key(p.rows)) not in known}.values()
    return sorted(whole, key=lambda piece: (piece.t0_s, -len(piece.rows)))


def _key(rows: IntArray) -> _Key:
    return int(rows[0]), int(rows[-1]), len(rows)


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
    cuts = [(p, at) for p in bent for at in range(4, len(p.rows) - 3)]
    runs = [run for p, at in cuts for run in (p.rows[:at], p.rows[at:])]
    _, costs = fit_runs(runs, seen, settings)
    best: dict[_Key, tuple[float, Piece, int]] = {}
    for (p, at), one, two in zip(cuts, costs[::2], costs[1::2], strict=True):
        cost = float(one + two)
        if cost < min(p.cost - settings.whole_cost, best.get(_key(p.rows), (np.inf,))[0]):
            best[_key(p.rows)] = (cost, p, at)
    parts = [run for _, p, at in best.values() for run in (p.rows[:at], p.rows[at:])]
    fitted = fit_pieces(parts, seen, f_px, settings)
    out = []
    for one, two in zip(fitted[::2], fitted[1::2], strict=True):
        if one is not None and two is not None and one.state[3] * two.state[3] < 0.0:
            out += [one, two]
    return out


def fit_runs(
    runs: Sequence[IntArray], seen: Sights, settings: FlightSettings
) -> tuple[FloatArray, FloatArray]:
    """Runs of sightings as a flight each: states (n, 10) at their middles, and costs (n,)."""
    if not runs:
        return np.zeros((0, 10)), np.zeros(0)
    starts = np.cumsum([0] + [len(run) for run in runs])
    state, _, cost, _, _ = _fits(np.concatenate(runs), starts, seen, settings)
    return state, cost


def flown(state: FloatArray, span_s: float, settings: FlightSettings) -> FloatArray:
    """State (9,) of a flight (10,) a while later, or before."""
    g, b, _, lift, decay, radius, bend = settings.piece_air(state[3:6])
    own = (g, b, state[9], lift, decay, radius, bend)
    return fly(state[:3], state[3:6], state[6:9], *own, np.array([span_s]))[0]


def _longest_runs(
    members: list[IntArray], seen: Sights, f_px: float, settings: FlightSettings
) -> list[Piece]:
    """Every run of a piece that fits and would not if it were longer at either end; and its parts.

    Any motion can be cut into runs so short that they fit; those that do not fall are left out.

    Searches of all pieces go on side by side, so that each step is one batch of fits; pieces share
    much of their course, and what was asked once is remembered.
    """
    known: dict[_Key, Piece | None] = {}
    searches = {i: _search(len(rows)) for i, rows in enumerate(members)}
    asked = {i: members[i][next(search)] for i, search in searches.items()}
    runs: list[IntArray] = []
    pairs: list[tuple[IntArray, slice, slice]] = []
    while asked:
        _remember(known, list(asked.values()), seen, f_px, settings)
        open_, asked = asked, {}
        for i, rows in open_.items():
            # what promises nothing was not fitted: it may grow until it does
            fits = known[_key(rows)] is not None or not _promises(rows, seen, settings)
            try:
                asked[i] = members[i][searches[i].send(fits)]
            except StopIteration as end:
                runs += [members[i][run] for run in end.value]
                pairs += [(members[i], *pair) for pair in itertools.pairwise(end.value)]
    runs += _cut(pairs, known, seen, f_px, settings)
    _remember(known, runs, seen, f_px, settings)
    found = [known[_key(rows)] for rows in runs]
    return [p for p in found if p is not None and _falls(p, settings)]


def _falls(piece: Piece, settings: FlightSettings) -> bool:
    """Whether a piece moves the less evenly the longer it is; three sightings need not."""
    return piece.fall > settings.least_fall * (len(piece.rows) - 3)


def _remember(
    known: dict[_Key, Piece | None], asked: list[IntArray], seen: Sights, f_px: float,
    settings: FlightSettings,
) -> None:  # fmt: skip
    """Fit what is not yet known."""
    new = {_key(rows): rows for rows in asked if _key(rows) not in known}
    fitted = fit_pieces(list(new.values()), seen, f_px, settings)
    known |= dict(zip(new, fitted, strict=True))


def _cut(
    pairs: list[tuple[IntArray, slice, slice]], known: dict[_Key, Piece | None], seen: Sights,
    f_px: float, settings: FlightSettings,
) -> list[IntArray]:  # fmt: skip
    """Runs that share sightings cut where both together fit best: there the contact is."""
    trials = [
        (k, rows[one.start : at], rows[at : two.stop])
        for k, (rows, one, two) in enumerate(pairs)
        for at in range(max(two.start, one.start + 3), min(one.stop, two.stop - 3) + 1)
        if one.stop - two.start > 1
    ]
    _remember(known, [part for _, *parts in trials for part in parts], seen, f_px, settings)
    best: dict[int, tuple[float, IntArray, IntArray]] = {}
    for k, before, after in trials:
        one, two = known[_key(before)], known[_key(after)]
        if one is not None and two is not None:
            cost = one.cost + two.cost
            if cost < best.get(k, (np.inf,))[0]:
                best[k] = (cost, before, after)
    return [part for _, *parts in best.values() for part in parts]


def _search(n: int) -> Generator[slice, bool, list[slice]]:
    """Ask which runs of n sightings fit; return the longest ones, in order.

    Three sightings tell too little to be wrong, so a search begins with more.
    """
    runs: list[slice] = []
    first, last = 0, min(3, n)
    while True:
        step, high = 1, n + 1
        while last < n and high > n:  # as far as it goes: ever longer steps, then halves
            further = min(last + step, n)
            if (yield slice(first, further)):
                last, step = further, 2 * step
            else:
                high = further
        while high <= n and high - last > 1:
            middle = (last + high) // 2
            if (yield slice(first, middle)):
                last = middle
            else:
                high = middle
        runs.append(slice(first, last))
        if last >= n:
            return _without_bridges(runs)
        low, first = first, last - 2  # the earliest start from which one more fits
        while first - low > 1:
            middle = (low + first) // 2
            if (yield slice(middle, last + 1)):
                first = middle
            else:
                low = middle
        last += 1


def _without_bridges(runs: list[slice]) -> list[slice]:
    """Runs without those that longer ones before and after hold between them."""
    kept = []
    for i, run in enumerate(runs):
        before, after = runs[max(i - 1, 0)], runs[min(i + 1, len(runs) - 1)]
        shorter = run.stop - run.start < min(before.stop - before.start, after.stop - after.start)
        if not (shorter and before.stop >= after.start):
            kept.append(run)
    return kept


def places(state: FloatArray, tau_s: FloatArray, settings: FlightSettings) -> FloatArray:
    """(n, 3) places of a flight at times from its reference, ascending [m]."""
    g, b, _, lift, decay, radius, bend = settings.piece_air(state[3:6])
    return fly(
        state[:3], state[3:6], state[6:9], g, b, state[9], lift, decay, radius, bend, tau_s
    )[:, :3]  # fmt: skip


def _possible(piece: Piece, seen: Sights, f_px: float, settings: FlightSettings) -> bool:
    """Moving, inside the hall, no faster than a ball can be, and of a ball's size there."""
    radius_px = statistics.median(seen.radius_px[piece.rows].tolist())
    if math.hypot(*np.ptp(seen.uv_px[piece.rows], axis=0)) < settings.still_radii * radius_px:
        return False
    if math.hypot(*piece.state[3:6]) > MAX_BALL_SPEED_MPS.value:
        return False
    half = 0.5 * (piece.t1_s - piece.t0_s)
    for end in places(piece.state, np.array([-half, half]), settings).tolist():
        for at, low, high in zip(end, settings.hall_low_m, settings.hall_high_m, strict=True):
            if not low <= at <= high:
                return False
    k = piece.rows[len(piece.rows) // 2]
    depth = float(seen.R[k, 2] @ piece.state[:3] + seen.t_m[k, 2])
    if depth <= 0.3:
        return False
    expected = f_px * BALL_RADIUS_M.value / depth
    return 1.0 / settings.size_ratio < radius_px / expected < settings.size_ratio
