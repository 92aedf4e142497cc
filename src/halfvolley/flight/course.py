"""From a chain to a refined course: start values, missed sightings, kinds of contacts."""

from dataclasses import replace

import numpy as np

from halfvolley.camera.kernels import project_point
from halfvolley.camera.projection import rotations
from halfvolley.constants import BALL_RADIUS_M, MAX_BALL_SPEED_MPS
from halfvolley.flight.chains import Chain
from halfvolley.flight.junctions import FLOOR_Z_M, OTHER_COST, Junction, Kind, place_cost
from halfvolley.flight.normal import CORD_M
from halfvolley.flight.pieces import Piece
from halfvolley.flight.refine import Course, Setting, air_of, arc_end, refine
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.shared import BIAS, INTRINSICS, SHIFT, SHUTTER, TURN
from halfvolley.physics.kernels import fly
from halfvolley.types import FloatArray, IntArray

R = BALL_RADIUS_M.value
SHARP = 0.5  # kinds are told apart less surely than costs say: laws and errors are models
FREE_RIVALS: tuple[Kind, ...] = ("racket", "other")  # these ask nothing of the place
PLANES: tuple[Kind, ...] = ("table", "floor")
OVERSPIN = 1.15  # over that of rolling: loops hold as much
SUNK_M = 0.3  # a place so far below the floor is wrong, and so perhaps are its neighbours
TIE = 4.0  # a kind that costs so much more than a touch that nothing explains is not given up
REACH_M = 0.8  # a contact further than this from a plane or the net, fitted freely, is not there,
LEAST_REACH_M, REACH_SD = 0.1, 6.0  # nor one known so well that it cannot be


def start_course(chain: Chain, s: Setting) -> Course:
    """Start values from the pieces and junctions of a chain; 'same' junctions vanish."""
    groups: list[list[Piece]] = [[chain.pieces[0]]]
    contacts: list[Junction] = []
    for piece, junction in zip(chain.pieces[1:], chain.junctions, strict=True):
        if junction.kind == "same":
            groups[-1].append(piece)
        else:
            contacts.append(junction)
            groups.append([piece])
    starts = [chain.pieces[0].t0_s] + [j.t_s + float(j.state[15]) for j in contacts]
    for i in range(1, len(starts)):  # two fits may put neighbours the wrong way round
        starts[i] = max(starts[i], starts[i - 1] + s.frame_s)
    states = []
    for i, group in enumerate(groups):
        before = contacts[i - 1] if i > 0 else None
        after = contacts[i] if i < len(contacts) else None
        states.append(_start_state(group, before, after, starts[i], s))
    rows = np.unique(np.concatenate([p.rows for p in chain.pieces]))
    rows = _one_a_frame(rows, s)
    kinds: tuple[Kind, ...] = tuple(j.kind for j in contacts)
    chances = tuple(chance(j.kind, dict(j.weights)) for j in contacts)
    return Course(
        rows, kinds, chances, np.array(states), np.array(starts) + s.late_s,
        np.zeros((len(starts), 2)), s.prior_mean.copy(),
    )  # fmt: skip


def chance(kind: Kind, costs: dict[Kind, float]) -> float:
    """Probability of a kind of contact among its rivals, from their costs."""
    least = min(costs.values())
    odds = {name: np.exp(-0.5 * SHARP * (cost - least)) for name, cost in costs.items()}
    return float(odds[kind] / sum(odds.values()))


def _start_state(
    group: list[Piece], before: Junction | None, after: Junction | None, t: float, s: Setting
) -> FloatArray:
    """State at time t: from a junction on a plane if there is one, else from the longest piece."""
    if before is not None and (before.kind in PLANES or after is None or after.kind not in PLANES):
        return np.concatenate([before.state[:3], before.state[9:15]])
    if after is not None:
        known, at = after.state[:9], after.t_s + float(after.state[15])
    else:
        longest = max(group, key=lambda p: len(p.rows))
        known, at = longest.state[:9], longest.t_s
    g, b, drag, lift, decay, radius, bend = s.air
    span = np.array([t - at])
    out = fly(known[:3], known[3:6], known[6:9], g, b, drag, lift, decay, radius, bend, span)[0]
    if np.linalg.norm(out[3:6]) < 2.0 * MAX_BALL_SPEED_MPS.value:
        return out
    # back in time drag speeds a ball up without bound: a straight line is the better start
    return np.concatenate([known[:3] + (t - at) * known[3:6], known[3:9]])


def _one_a_frame(rows: IntArray, s: Setting) -> IntArray:
    """Where pieces overlap, the later claim stands."""
    frames = s.seen.frame[rows]
    keep = np.append(frames[1:] != frames[:-1], True)
    return rows[keep]


def predict(course: Course, s: Setting, rows: IntArray) -> FloatArray:
    """(n, 2) pixels at which the course puts the ball for given sights."""
    g = course.globals
    seen = s.seen.take(rows)
    t_s = seen.t_s + seen.lever @ (g[SHUTTER] - s.prior_mean[SHUTTER])
    turn = rotations(g[None, TURN])[0]
    f, cx, cy, k1, k2 = s.intrinsics + g[INTRINSICS]
    uv = np.full((len(rows), 2), np.nan)
    arc = course.arc_of(t_s)
    for i in range(course.n_arcs):
        on = np.flatnonzero(arc == i)
        x = course.states[i]
        order = on[np.argsort(t_s[on], kind="stable")]
        states = fly(x[:3], x[3:6], x[6:9], *air_of(course, s, i), t_s[order] - course.starts[i])
        for row, state in zip(order, states, strict=True):
            uv[row] = project_point(
                f, cx, cy, k1, k2, turn @ seen.R[row], seen.t_m[row] + g[SHIFT], *state[:3]
            )
    return uv + g[BIAS]


def recapture(course: Course, s: Setting, settings: FlightSettings) -> Course:
    """The course with, in each frame, the detection nearest to it: missed ones in, wrong ones out.

    Looks up to `reach_frames` beyond both ends and stops there at the first gap of that length.
    """
    frames = s.seen.frame
    first, last = frames[course.rows[0]], frames[course.rows[-1]]
    reach = settings.reach_frames
    low = np.searchsorted(frames, first - 8 * reach)
    high = np.searchsorted(frames, last + 8 * reach, side="right")
    rows = np.arange(low, high)
    off = s.seen.uv_px[rows] - predict(course, s, rows)
    spread = 1.0 / np.sqrt(np.abs(np.linalg.det(s.seen.white[rows])))
    apart = np.linalg.norm(off, axis=1)
    apart[~np.isfinite(apart)] = np.inf
    gate = np.maximum(settings.recapture_px, 3.5 * spread * course.scale)
    near = apart < gate
    best: dict[int, int] = {}
    for i in np.flatnonzero(near):
        f = int(frames[rows[i]])
        if f not in best or apart[i] < apart[best[f]]:
            best[f] = int(i)
    kept = sorted(f for f in best if first <= f <= last)
    if len(kept) < 3:
        return course
    kept = _extended(kept, sorted(f for f in best if f > last), reach, 1)
    kept = _extended(kept, sorted((f for f in best if f < first), reverse=True), reach, -1)
    chosen = np.array([rows[best[f]] for f in sorted(kept)])
    return _anchored(replace(course, rows=chosen), s)


def _anchored(course: Course, s: Setting) -> Course:
    """The course with its first arc starting no later than its first sight."""
    t = float(s.seen.t_s[course.rows[0]])
    if t >= course.starts[0]:
        return course
    x, back = course.states[0], np.array([t - course.starts[0]])
    first = fly(x[:3], x[3:6], x[6:9], *air_of(course, s, 0), back)[0]
    return replace(
        course, states=np.vstack([first, course.states[1:]]),
        starts=np.concatenate([[t], course.starts[1:]]),
    )  # fmt: skip


def _extended(kept: list[int], more: list[int], reach: int, way: int) -> list[int]:
    edge = max(kept) if way > 0 else min(kept)
    out = list(kept)
    for f in more:
        if abs(f - edge) > reach:
            break
        out.append(f)
        edge = f
    return out


def rescale(course: Course, s: Setting) -> Course:
    """The course with claimed detection errors multiplied so that they match what is seen.

    The median of squared whitened residuals of two degrees is 1.386; a course of few sightings
    keeps its claims (weight of ten sightings on a scale of one).
    """
    white = s.seen.white[course.rows]
    off = predict(course, s, course.rows) - s.seen.uv_px[course.rows]
    r2 = np.sum(np.einsum("nij,nj->ni", white, off) ** 2, axis=1)
    n = len(r2)
    scale2 = (n * float(np.median(r2)) / 1.386 + 10.0) / (n + 10.0)
    return replace(course, scale=float(np.sqrt(np.clip(scale2, 0.36, 36.0))))


def settle(course: Course, s: Setting, settings: FlightSettings) -> Course:
    """Refine, take in missed sightings, match the errors, and refine again until nothing moves."""
    course = refine(course, s, 30)
    for _ in range(settings.settle_rounds):
        again = rescale(recapture(course, s, settings), s)
        if np.array_equal(again.rows, course.rows) and abs(again.scale - course.scale) < 0.05:
            break
        course = refine(again, s, 15)
    return course


def reconsider(course: Course, s: Setting, settings: FlightSettings) -> Course:
    """Try other kinds for the contacts that are open, each in the light of its neighbours.

    A kind that is found moves the neighbours, so those still open are asked again. A touch that
    nothing explains and that hardly bends the flight is none. What a kind costs is asked of its
    surroundings only; one that the whole course does not bear is not taken.
    """
    dearer = OTHER_COST + settings.same_bonus
    for _ in range(settings.reconsider_rounds):
        changed = False
        i = 0
        while i < len(course.kinds):
            if not _is_open(course, i, settings):
                i += 1
                continue
            kind, likely, part, first = _best_kind(course, i, s)
            if kind == "other" and (through := _without_touch(course, i, part.cost, s, settings)):
                if through.cost < course.cost + dearer:
                    course, changed = through, True
                    continue
            elif kind != course.kinds[i]:
                other = refine(_with_kind(course, i, kind, part, first), s, 20)
                if other.cost < course.cost + dearer:
                    course, changed = other, True
            if kind == course.kinds[i]:
                chances = (*course.chances[:i], likely, *course.chances[i + 1 :])
                course = replace(course, chances=chances)
            i += 1
        if not changed:
            break
    return course


def _is_open(course: Course, i: int, settings: FlightSettings) -> bool:
    """Whether contact i may be of another kind, as where a neighbour lies below the floor."""
    if course.kinds[i] == "other" or course.chances[i] <= settings.sure:
        return True
    beside = [course.states[k + 1, 2] for k in (i - 1, i + 1) if 0 <= k < len(course.kinds)]
    return min(beside, default=0.0) < FLOOR_Z_M - SUNK_M


def _with_kind(course: Course, i: int, kind: Kind, part: Course, first: int) -> Course:
    """The course with contact i of a kind, and the arcs from `first` on as `part` has them."""
    states, starts = course.states.copy(), course.starts.copy()
    states[first + 1 : first + part.n_arcs] = part.states[1:]
    starts[first + 1 : first + part.n_arcs] = part.starts[1:]
    kinds = (*course.kinds[:i], kind, *course.kinds[i + 1 :])
    return replace(course, kinds=kinds, states=states, starts=starts)


def _without_touch(
    course: Course, i: int, cost: float, s: Setting, settings: FlightSettings
) -> Course | None:
    """The course without contact i, where one flight explains both arcs about as well.

    `cost` is that of the arcs around the contact with a touch of kind 'other' there.
    """
    first, last = max(i - 1, 0), min(i + 2, course.n_arcs - 1)
    around = course.part(first, last, s.seen.t_s[course.rows])
    through = refine(_one_arc(around, i - first), s, 20)
    if through.cost > cost + OTHER_COST + settings.same_bonus:
        return None
    whole = _one_arc(course, i)
    states, starts = whole.states.copy(), whole.starts.copy()
    states[first + 1 : first + through.n_arcs] = through.states[1:]
    starts[first + 1 : first + through.n_arcs] = through.starts[1:]
    if first == 0:
        states[0] = through.states[0]
    return refine(replace(whole, states=states, starts=starts), s, 20)


def _one_arc(course: Course, i: int) -> Course:
    """The course without contact i: the arc before goes on, not yet refined."""
    return replace(
        course, kinds=(*course.kinds[:i], *course.kinds[i + 1 :]),
        chances=(*course.chances[:i], *course.chances[i + 1 :]),
        states=np.delete(course.states, i + 1, axis=0), starts=np.delete(course.starts, i + 1),
        own_air=np.delete(course.own_air, i + 1, axis=0),
    )  # fmt: skip


def _best_kind(course: Course, i: int, s: Setting) -> tuple[Kind, float, Course, int]:
    """Kind of contact i, its probability, and the arcs around it refined so, from which arc on.

    What a kind makes of the neighbours' places counts too: a touch below the floor is none.
    """
    first, last = max(i - 1, 0), min(i + 2, course.n_arcs - 1)
    around = course.part(first, last, s.seen.t_s[course.rows])
    at = i - first
    free = _as(around, at, "other", s)
    trials: dict[Kind, Course] = {kind: _as(free, at, kind, None) for kind in FREE_RIVALS}
    beyond = _reach(free, at)
    if abs(free.states[at + 1, 2] - FLOOR_Z_M) < beyond[2]:
        trials["floor"] = _as(_on_plane(free, at, FLOOR_Z_M, s), at, "floor", s)
    if abs(free.states[at + 1, 2] - R) < beyond[2]:
        down = _on_plane(free, at, R, s)
        bounced = [_as(down, at, "table", s), _as(_overspun(down, at), at, "table", s)]
        trials["table"] = min(bounced, key=lambda trial: trial.cost)
    if abs(free.states[at + 1, 0]) < beyond[0]:
        goes_on = touch_state(free, s, at)[3] * free.states[at + 1, 3] > 0.0
        trials["net"] = _as(_on_plane(free, at, CORD_M, s) if goes_on else free, at, "net", s)
    costs = {kind: expense(trial, s) for kind, trial in trials.items()}
    if course.kinds[i] in PLANES and costs.get(course.kinds[i], np.inf) < costs["other"] + TIE:
        del costs["other"]  # what a law explains about as well stays
    best = min(costs, key=lambda kind: costs[kind])
    return best, chance(best, costs), trials[best], first


def _reach(course: Course, at: int) -> FloatArray:
    """(3,) how far from where it was fitted freely contact `at` may be in truth [m]."""
    if not np.isfinite(course.cost):
        return np.full(3, REACH_M)
    place = np.arange(9 * at + 9, 9 * at + 12)
    columns = np.linalg.solve(course.info, np.eye(len(course.info))[:, place])
    sd = np.sqrt(np.abs(np.diag(columns[place])))
    return np.minimum(REACH_SD * sd + LEAST_REACH_M, REACH_M)


def _on_plane(course: Course, at: int, height_m: float, s: Setting) -> Course:
    """The course with contact `at` moved along its line of sight to a height.

    Both arcs that meet there look the same from the camera when they grow with their distance.
    """
    if not len(course.rows):
        return course
    row = course.rows[min(np.searchsorted(s.seen.t_s[course.rows], course.starts[at + 1]),
                          len(course.rows) - 1)]  # fmt: skip
    eye = -s.seen.R[row].T @ s.seen.t_m[row]
    away = float(course.states[at + 1, 2] - eye[2])
    grow = (height_m - eye[2]) / away if abs(away) > 1e-6 else 0.0
    if not 0.3 < grow < 3.0:
        return course
    states = course.states.copy()
    for arc in (at, at + 1):
        if arc == at and at > 0 and course.kinds[at - 1] in PLANES:
            continue
        states[arc, :3] = eye + grow * (states[arc, :3] - eye)
        states[arc, 3:6] *= grow
    return replace(course, states=states)


def _overspun(course: Course, at: int) -> Course:
    """The course with more topspin about contact `at` than a ball that rolls has.

    Friction turns its sign there, which a search from the other side does not get over.
    """
    states = course.states.copy()
    for arc in (at, at + 1):
        vx, vy = states[arc, 3:5]
        states[arc, 6:8] = OVERSPIN / R * np.array([-vy, vx])
    return replace(course, states=states)


def _as(course: Course, at: int, kind: Kind, s: Setting | None) -> Course:
    """The course with contact `at` of another kind, refined unless `s` is None."""
    kinds: tuple[Kind, ...] = (*course.kinds[:at], kind, *course.kinds[at + 1 :])
    changed = replace(course, kinds=kinds)
    return changed if s is None else refine(changed, s, 12)


def touch_state(course: Course, s: Setting, i: int) -> FloatArray:
    """(16,) state of contact i as junctions have it: place, velocity and spin before and after."""
    end = arc_end(course, s, i)[0]
    after = course.states[i + 1]
    return np.concatenate([after[:3], end[3:], after[3:], [0.0]])


def expense(course: Course, s: Setting) -> float:
    """-2 log-posterior of a course and of the places and kinds of its touches, up to a constant."""
    touches = (place_cost(kind, touch_state(course, s, i)) for i, kind in enumerate(course.kinds))
    return course.cost + sum(touches)


def struck_once(course: Course, settings: FlightSettings) -> Course:
    """Of two strokes at one end in quick succession, doubt the less likely: rules allow one."""
    chances = list(course.chances)
    for i in range(len(course.kinds) - 1):
        if course.kinds[i : i + 2] != ("racket", "racket"):
            continue
        apart = course.starts[i + 2] - course.starts[i + 1]
        same_end = course.states[i + 1, 0] * course.states[i + 2, 0] > 0
        if same_end and apart < settings.stroke_apart_s:
            weaker = i if chances[i] < chances[i + 1] else i + 1
            chances[weaker] *= settings.stray
    return replace(course, chances=tuple(chances))
