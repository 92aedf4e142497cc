"""A ball dropped on the table: restitution at each bounce, and gravity as a check of the scale.

A ball let go from the hand has no spin and falls straight, so that one number says all of a hop:
the speed v_i with which it left the table. Its time, its top and the speed into the next bounce
follow in closed form (`VerticalMotion`). Unknowns of one drop with bounces 0 .. n:

    t_0;  v_-1 (of a hop that would end in bounce 0 as the fall did), v_0 .. v_n;
    (x, y) at the start of each hop and at the end of the last, straight between

and, shared by all drops of a clip, the globals below. With gravity known, the hops' times and
heights give the restitution; with gravity free, they weigh the camera's scale against it.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from halfvolley.camera.projection import rotations
from halfvolley.constants import (
    DRAG_COEFFICIENT,
    TABLE_RESTITUTION_AT_REST,
    TABLE_RESTITUTION_SLOPE,
)
from halfvolley.errors import Unknown
from halfvolley.flight.settings import FlightSettings
from halfvolley.flight.sights import Sights, sights
from halfvolley.physics import Environment, VerticalMotion
from halfvolley.types import Camera, ClipCamera, Contact, Flights, FloatArray

STANDARD_DROP_M = 0.300  # Law 2.1.3: a ball dropped from here rises to about 230 mm
TAIL = 8.0  # of Cauchy's loss, in squared sds: a few bad sightings lose their weight
# globals: the camera's eleven, then these
N_CAMERA = 11
GRAVITY, DRAG, EXPOSURE, READOUT, BIAS_U, BIAS_V, PLANE, N_GLOBALS = (*range(11, 18), 18)


@dataclass(frozen=True, slots=True)
class DropSettings:
    """What counts as a drop, and what is believed before."""

    most_sideways_mps: float = 0.6  # a ball let go drifts; struck balls are faster
    sideways_sd_mps: float = 0.2  # how straight a hand lets go
    fewest_sights: int = 12  # of one drop
    gravity_sd_mps2: float = 0.03  # latitude and height of the hall: 9.78 to 9.83
    free_gravity_sd_mps2: float = 3.0  # where the scale is checked
    plane_sd_m: float = 0.001  # how flat a table is, and the ball's radius
    height_sd_share: float = 0.004  # added mass of air and the ball's own mass, of gravity
    slope_sd_spm: float = 0.03  # of restitution over speed; wide, tables differ
    rounds: int = 20
    flight: FlightSettings = FlightSettings()


@dataclass(frozen=True, slots=True, eq=False)
class DropBounce:
    """One bounce of a dropped ball; heights are of the ball's lowest point above the table."""

    drop: int  # counted from 1 within the clip
    number: int  # counted from 1 within the drop
    contact_id: int
    t_s: float
    t_sd_s: float
    xy_m: FloatArray  # (2,) [m]
    cov_xy_m2: FloatArray  # (2, 2)
    speed_in_mps: float
    speed_in_sd_mps: float
    speed_out_mps: float
    speed_out_sd_mps: float
    restitution: float
    restitution_sd: float
    fall_m: float  # height from which a ball at rest comes with that speed
    fall_sd_m: float
    rise_m: float  # height to which it rises
    rise_sd_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Drops:
    """What the dropped balls of one clip tell of table, ball and scale."""

    bounces: tuple[DropBounce, ...]
    restitution_at_rest: float  # e = at_rest - slope * speed, fitted to all bounces
    restitution_slope_spm: float
    restitution_cov: FloatArray  # (2, 2) of the two
    fastest_mps: float  # greatest impact speed of the fit
    standard_restitution: float  # at the speed of a fall from 300 mm
    standard_restitution_sd: float
    standard_rebound_m: float  # from 300 mm
    standard_rebound_sd_m: float
    gravity_mps2: float  # as the pictures show it with the table's own scale, buoyancy taken out
    gravity_sd_mps2: float
    residual_rms: float  # of the sightings over their claimed errors; 1 where these are right


@dataclass(frozen=True, slots=True, eq=False)
class _Drop:
    """The bounces of one drop and the sightings on its hops."""

    contacts: tuple[Contact, ...]
    seen: Sights


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    drops: tuple[_Drop, ...]
    camera: Camera
    environment: Environment
    settings: DropSettings
    lever_mean: FloatArray  # (2,) exposure, readout with which the sightings were dated
    mean: FloatArray  # (18,) of the globals
    info: FloatArray  # (18, 18)


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    blocks: list[FloatArray]  # of each drop
    globals: FloatArray
    cov: FloatArray  # blocks in order, then globals
    rms: float


def find_drops(
    flights: Flights,
    camera: ClipCamera,
    *,
    environment: Environment | None = None,
    settings: DropSettings = DropSettings(),
) -> Drops | Unknown:
    """Restitution of the table, and gravity as a check, from balls dropped on it.

    Parameters
    ----------
    flights : Flights
        As `find_flights` gives them.
    camera : ClipCamera
        Camera of the clip; its covariance enters every number.
    environment : Environment, optional
        Ball and air of the hall.
    settings : DropSettings
        What counts as a drop.

    Returns
    -------
    Drops or Unknown
        Unknown where no ball bounced straight up and down at least twice.

    Notes
    -----
    Restitution comes from a fit in which gravity is that of the Earth; gravity from a second one
    in which it is free, so that heights in metres rest on the camera and times on the clock.
    """
    env = environment or Environment()
    drops = _drops_of(flights, camera, settings)
    if not drops:
        return Unknown(
            "no ball that bounces twice or more on one spot was seen; drop it from about 300 mm "
            "and let it bounce until it rests"
        )
    fixed = _solve(_problem(drops, flights, camera, env, settings, settings.gravity_sd_mps2))
    free = _solve(_problem(drops, flights, camera, env, settings, settings.free_gravity_sd_mps2))
    if fixed is None or free is None:
        return Unknown("the dropped ball's hops fit no straight fall; is it the ball?")
    return _outcome(drops, fixed, free, env, settings)


def _drops_of(flights: Flights, camera: ClipCamera, settings: DropSettings) -> tuple[_Drop, ...]:
    """Runs of table contacts that follow each other straight up and down."""
    runs: list[list[Contact]] = []
    for contact in flights.contacts:
        upright = float(np.hypot(*contact.v_out_mps[:2])) < settings.most_sideways_mps
        if contact.kind != "table" or not upright:
            continue
        if runs and runs[-1][-1].arc_out == contact.arc_in >= 0:
            runs[-1].append(contact)
        else:
            runs.append([contact])
    arcs = {arc.arc_id: arc for arc in flights.arcs}
    drops = []
    for run in (r for r in runs if len(r) >= 2):
        ids = [run[0].arc_in, *(c.arc_out for c in run)]
        rows = np.unique(np.concatenate([arcs[i].rows for i in ids if i in arcs]))
        if len(rows) < settings.fewest_sights:
            continue
        seen = sights(
            flights.detections.take(rows), camera, flights.shutter,
            settings.flight.detection_floor_px,
        )  # fmt: skip
        # near a bounce the streak is bent: its centre lies on neither hop
        touch = np.array([c.t_s for c in run])
        apart = np.abs(seen.t_s[:, None] - touch[None]).min(axis=1)
        end = touch[-1] + 1.9 * float(run[-1].v_out_mps[2]) / 9.8  # the next bounce may be unseen
        clear = (apart > 0.5 * flights.shutter.exposure_s + 0.0005) & (seen.t_s < end)
        drops.append(_Drop(tuple(run), seen.take(np.flatnonzero(clear))))
    return tuple(drops)


def _problem(
    drops: tuple[_Drop, ...], flights: Flights, camera: ClipCamera, environment: Environment,
    settings: DropSettings, gravity_sd: float,
) -> _Problem:  # fmt: skip
    c, shutter = camera.camera, flights.shutter
    floor = np.array([1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-6, 1e-5, 1e-5, 1e-5])
    bias = settings.flight.bias_sd_px
    sd = np.array(
        [
            gravity_sd, DRAG_COEFFICIENT.sd, max(shutter.exposure_sd_s, 1e-6),
            max(shutter.readout_sd_s, 1e-6), bias, bias, settings.plane_sd_m,
        ]
    )  # fmt: skip
    info = np.zeros((N_GLOBALS, N_GLOBALS))
    info[:N_CAMERA, :N_CAMERA] = np.linalg.inv(c.cov + np.diag(floor**2))
    info[N_CAMERA:, N_CAMERA:] = np.diag(sd**-2.0)
    mean = np.zeros(N_GLOBALS)
    mean[GRAVITY], mean[DRAG] = environment.effective_gravity_mps2, environment.drag
    mean[EXPOSURE], mean[READOUT] = shutter.exposure_s, shutter.readout_s
    lever = np.array([shutter.exposure_s, shutter.readout_s])
    return _Problem(drops, c, environment, settings, lever, mean, info)


def _motion(p: _Problem, g: FloatArray) -> VerticalMotion:
    return motion_of(float(g[GRAVITY]), float(g[DRAG]), p.environment)


def motion_of(gravity_mps2: float, drag: float, environment: Environment) -> VerticalMotion:
    """Vertical motion under an effective gravity and drag coefficient."""
    length = 1.0 / (environment.air_factor_pm * max(drag, 0.01))
    return VerticalMotion(math.sqrt(max(gravity_mps2, 0.1) * length), length)


def _start(drop: _Drop, motion: VerticalMotion) -> FloatArray:
    """Unknowns of a drop (t_0, v_-1 .. v_n, x_-1, y_-1, .. ) from its contacts."""
    contacts = drop.contacts
    v_in = max(-float(contacts[0].v_in_mps[2]), 0.2)
    top = -0.5 * motion.drag_length_m * math.log1p(
        -min((v_in / motion.terminal_speed_mps) ** 2, 0.95)
    )
    leave = [motion.rise_speed(top), *(max(float(c.v_out_mps[2]), 0.1) for c in contacts)]
    places = np.array([c.xyz_m[:2] for c in contacts])
    places = np.vstack([places[0], places, places[-1]])
    return np.concatenate([[contacts[0].t_s], leave, places.ravel()])


def _nodes(block: FloatArray, motion: VerticalMotion) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times (k + 1,) at which hops begin and the last ends, their speeds (k,), places (k + 1, 2)."""
    k = (len(block) - 3) // 3
    v = block[1 : 1 + k]
    spans = np.array([motion.hop_time(float(s)) for s in v])
    times = block[0] + np.concatenate([[-spans[0], 0.0], np.cumsum(spans[1:])])
    return times, v, block[1 + k :].reshape(k + 1, 2)


def _places(block: FloatArray, t_s: FloatArray, motion: VerticalMotion, low_m: float) -> FloatArray:
    """(n, 3) places of the ball's centre."""
    times, v, xy = _nodes(block, motion)
    hop = np.clip(np.searchsorted(times, t_s, side="right") - 1, 0, len(v) - 1)
    out = np.empty((len(t_s), 3))
    share = (t_s - times[hop]) / (times[hop + 1] - times[hop])
    out[:, :2] = xy[hop] + share[:, None] * (xy[hop + 1] - xy[hop])
    for i in np.unique(hop):
        on = hop == i
        out[on, 2] = low_m + motion.hop_height(float(v[i]), t_s[on] - times[i])
    return out


def _misses(p: _Problem, drop: _Drop, block: FloatArray, g: FloatArray) -> FloatArray:
    """(n, 2) whitened residuals of the sightings of a drop."""
    seen, c = drop.seen, p.camera
    t_s = seen.t_s + seen.lever @ (g[[EXPOSURE, READOUT]] - p.lever_mean)
    low = p.environment.ball.radius_m + g[PLANE]
    xyz = _places(block, t_s, _motion(p, g), low)
    turn = rotations(g[None, 5:8])[0]
    seen_from = np.einsum("ij,njk,nk->ni", turn, seen.R, xyz) + seen.t_m + g[8:11]
    ab = seen_from[:, :2] / seen_from[:, 2:]
    r2 = np.sum(ab**2, axis=1)
    k1, k2 = c.k + g[3:5]
    uv = (c.f_px + g[0]) * (1.0 + k1 * r2 + k2 * r2**2)[:, None] * ab + c.c_px + g[1:3]
    return np.einsum("nij,nj->ni", seen.white, uv + g[[BIAS_U, BIAS_V]] - seen.uv_px)


def _drift(p: _Problem, block: FloatArray, motion: VerticalMotion) -> FloatArray:
    """Whitened sideways velocities of the hops: a hand lets go nearly straight."""
    times, _, xy = _nodes(block, motion)
    return (np.diff(xy, axis=0) / np.diff(times)[:, None]).ravel() / p.settings.sideways_sd_mps


def _slopes(function, x: FloatArray, steps: FloatArray) -> FloatArray:  # type: ignore[no-untyped-def]
    """Central differences of a function (m,) to x (n,): (m, n)."""
    columns = []
    for i, h in enumerate(steps):
        up, down = x.copy(), x.copy()
        up[i] += h
        down[i] -= h
        columns.append((function(up) - function(down)) / (2.0 * h))
    return np.stack(columns, axis=1)


_GLOBAL_STEPS = np.array(
    [1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-6, 1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-6, 1e-6,
     1e-3, 1e-3, 1e-5]
)  # fmt: skip


def _block_steps(block: FloatArray) -> FloatArray:
    steps = np.full(len(block), 1e-5)
    steps[0] = 1e-6
    return steps


def _system(
    p: _Problem, blocks: list[FloatArray], g: FloatArray
) -> tuple[FloatArray, FloatArray, float, float]:
    """Normal matrix and vector, cost, and squared residuals per sighting coordinate."""
    sizes = [len(b) for b in blocks]
    at = np.concatenate([[0], np.cumsum(sizes)])
    n = at[-1] + N_GLOBALS
    N, y = np.zeros((n, n)), np.zeros(n)
    N[at[-1] :, at[-1] :] = p.info
    off = g - p.mean
    y[at[-1] :] = -p.info @ off
    cost, squares, count = float(off @ p.info @ off), 0.0, 0
    for i, (drop, block) in enumerate(zip(p.drops, blocks, strict=True)):
        res = _misses(p, drop, block, g)
        square = np.sum(res**2, axis=1)
        pull = 1.0 / np.sqrt(1.0 + square / TAIL)
        cost += float(np.sum(TAIL * np.log1p(square / TAIL)))
        squares += float(np.sum(np.minimum(square, 16.0)))
        count += 2 * len(square)

        def of_block(b: FloatArray, drop: _Drop = drop, pull: FloatArray = pull) -> FloatArray:
            sighted = _misses(p, drop, b, g) * pull[:, None]
            return np.concatenate([sighted.ravel(), _drift(p, b, _motion(p, g))])

        def of_globals(
            g2: FloatArray, drop: _Drop = drop, block: FloatArray = block,
            pull: FloatArray = pull,
        ) -> FloatArray:  # fmt: skip
            sighted = _misses(p, drop, block, g2) * pull[:, None]
            return np.concatenate([sighted.ravel(), _drift(p, block, _motion(p, g2))])

        r = of_block(block)
        cost += float(np.sum(r[2 * len(square) :] ** 2))
        J = np.zeros((len(r), n))
        J[:, at[i] : at[i + 1]] = _slopes(of_block, block, _block_steps(block))
        J[:, at[-1] :] = _slopes(of_globals, g, _GLOBAL_STEPS)
        N += J.T @ J
        y -= J.T @ r
    return N, y, cost, squares / max(count, 1)


def _solve(p: _Problem) -> _Solution | None:
    """Levenberg-Marquardt; None where it runs away."""
    g = p.mean.copy()
    blocks = [_start(drop, _motion(p, g)) for drop in p.drops]
    at = np.concatenate([[0], np.cumsum([len(b) for b in blocks])])
    N, y, cost, square = _system(p, blocks, g)
    damp = 1e-3
    for _ in range(p.settings.rounds):
        try:
            step = cho_solve(cho_factor(N + damp * np.diag(np.diag(N))), y)
        except np.linalg.LinAlgError:
            damp *= 10.0
            continue
        trial = [b + step[at[i] : at[i + 1]] for i, b in enumerate(blocks)]
        good = all(np.all(b[1 : 1 + (len(b) - 3) // 3] > 0.02) for b in trial)
        after = _system(p, trial, g + step[at[-1] :]) if good else None
        if after is not None and np.isfinite(after[2]) and after[2] <= cost:
            done = cost - after[2] < 1e-5 * (1.0 + after[2])
            blocks, g = trial, g + step[at[-1] :]
            N, y, cost, square = after
            damp = max(0.2 * damp, 1e-9)
            if done:
                break
        else:
            damp *= 10.0
            if damp > 1e8:
                break
    if not np.isfinite(cost):
        return None
    scale = max(square, 1.0)  # sightings worse than they claim make all numbers worse
    return _Solution(blocks, g, scale * np.linalg.inv(N), math.sqrt(square))


def _numbers(block: FloatArray, g: FloatArray, environment: Environment) -> FloatArray:
    """(m, 8) of each bounce: time, x, y, speed in, speed out, restitution, fall, rise."""
    motion = motion_of(float(g[GRAVITY]), float(g[DRAG]), environment)
    times, v, xy = _nodes(block, motion)
    out = np.empty((len(v) - 1, 8))
    for i in range(len(out)):
        fall = motion.rise_height(float(v[i]))
        into = motion.fall_speed(fall)
        out[i] = (
            times[i + 1], *xy[i + 1], into, v[i + 1], v[i + 1] / into, fall,
            motion.rise_height(float(v[i + 1])),
        )  # fmt: skip
    return out


def _outcome(
    drops: tuple[_Drop, ...], fixed: _Solution, free: _Solution, environment: Environment,
    settings: DropSettings,
) -> Drops:  # fmt: skip
    x = np.concatenate([*fixed.blocks, fixed.globals])
    at = np.concatenate([[0], np.cumsum([len(b) for b in fixed.blocks])])

    def every(x: FloatArray) -> FloatArray:
        g = x[at[-1] :]
        parts = [_numbers(x[at[i] : at[i + 1]], g, environment) for i in range(len(drops))]
        return np.concatenate(parts).ravel()

    steps = np.concatenate([*(_block_steps(b) for b in fixed.blocks), _GLOBAL_STEPS])
    values = every(x)
    J = _slopes(every, x, steps)
    cov = J @ fixed.cov @ J.T
    rows = values.reshape(-1, 8)
    names = [(d, i, c) for d, drop in enumerate(drops) for i, c in enumerate(drop.contacts)]
    bounces = tuple(
        _bounce(d, i, contact.contact_id, rows[m], cov[8 * m : 8 * m + 8, 8 * m : 8 * m + 8])
        for m, (d, i, contact) in enumerate(names)
    )
    line, line_cov = _line(rows[:, 3], rows[:, 5], cov[5::8, 5::8], settings)
    motion = motion_of(
        float(fixed.globals[GRAVITY]), float(fixed.globals[DRAG]), environment
    )
    speed = motion.fall_speed(STANDARD_DROP_M)
    e = float(line[0] - line[1] * speed)
    slope = np.array([1.0, -speed])
    e_sd = math.sqrt(float(slope @ line_cov @ slope))
    rise, step = motion.rise_height(e * speed), 1e-4
    d_rise = (motion.rise_height((e + step) * speed) - rise) / step
    lifted = environment.effective_gravity_mps2 / environment.gravity_mps2
    gravity = float(free.globals[GRAVITY]) / lifted
    k = len(free.cov) - N_GLOBALS + GRAVITY
    gravity_sd = math.hypot(math.sqrt(free.cov[k, k]) / lifted, settings.height_sd_share * gravity)
    return Drops(
        bounces, float(line[0]), float(line[1]), line_cov, float(rows[:, 3].max()), e, e_sd, rise,
        abs(d_rise) * e_sd, gravity, gravity_sd, fixed.rms,
    )  # fmt: skip


def _bounce(
    drop: int, number: int, contact_id: int, values: FloatArray, cov: FloatArray
) -> DropBounce:
    sd = np.sqrt(np.maximum(np.diag(cov), 0.0))
    t, _, _, into, out, e, fall, rise = (float(v) for v in values)
    return DropBounce(
        drop + 1, number + 1, contact_id, t, float(sd[0]), values[1:3].copy(), cov[1:3, 1:3].copy(),
        into, float(sd[3]), out, float(sd[4]), e, float(sd[5]), fall, float(sd[6]), rise,
        float(sd[7]),
    )  # fmt: skip


def _line(
    speed: FloatArray, e: FloatArray, cov: FloatArray, settings: DropSettings
) -> tuple[FloatArray, FloatArray]:
    """Restitution as a straight line over speed, e = e0 - e1 v: (e0, e1) and covariance."""
    A = np.stack([np.ones_like(speed), -speed], axis=1)
    # balls are not quite round and tables not quite even: single bounces stray
    stray, info, line = 0.0, np.eye(2), np.zeros(2)
    prior = np.array([0.2**-2.0, settings.slope_sd_spm**-2.0])
    mean = np.array([TABLE_RESTITUTION_AT_REST.value, TABLE_RESTITUTION_SLOPE.value])
    for _ in range(4):
        weight = np.linalg.inv(cov + (stray**2 + 1e-8) * np.eye(len(e)))
        info = A.T @ weight @ A + np.diag(prior)
        line = np.linalg.solve(info, A.T @ weight @ e + prior * mean)
        off = e - A @ line
        excess = float(off @ off) - float(np.trace(cov))
        stray = math.sqrt(max(excess, 0.0) / max(len(e) - 2, 1))
    return line, np.linalg.inv(info)
