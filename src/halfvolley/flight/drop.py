"""A ball dropped on the table: restitution at each bounce, and gravity as a check of the scale.

With gravity known, the times and heights of its hops give the restitution. With gravity free, they
weigh the camera's scale: heights in metres rest on the camera, times on the clock.
"""

import math
from dataclasses import dataclass

import numpy as np

from halfvolley.constants import TABLE_RESTITUTION_AT_REST, TABLE_RESTITUTION_SLOPE
from halfvolley.errors import Unknown
from halfvolley.flight.hops import Drop, HopPriors, Hops, fit_hops, nodes
from halfvolley.flight.sights import sights
from halfvolley.physics import Environment, VerticalMotion
from halfvolley.types import ClipCamera, Contact, Flights, FloatArray

STANDARD_DROP_M = 0.300  # Law 2.1.3: a ball dropped from here rises to about 230 mm


@dataclass(frozen=True, slots=True)
class DropSettings:
    """What counts as a drop, and what is believed before."""

    most_sideways_mps: float = 0.6  # a ball let go drifts; struck balls are faster
    fewest_sights: int = 12  # of one drop
    detection_floor_px: float = 0.25  # no detection is believed better: coding, shading
    gravity_sd_mps2: float = 0.03  # latitude and height of the hall: 9.78 to 9.83
    free_gravity_sd_mps2: float = 3.0  # where the scale is checked
    mass_sd_share: float = 0.004  # of gravity: air that the ball drags along, its own mass
    restitution_sd: float = 0.2  # at rest; wide, tables differ
    slope_sd_spm: float = 0.03  # of restitution over speed; likewise


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
    standard_speed_mps: float  # of a fall from 300 mm
    standard_restitution: float  # at that speed
    standard_restitution_sd: float
    standard_rebound_m: float  # from 300 mm
    standard_rebound_sd_m: float
    gravity_mps2: float  # as the pictures show it with the table's own scale, buoyancy taken out
    gravity_sd_mps2: float
    residual_rms: float  # of the sightings over their claimed errors; 1 where these are right

    def restitution_at(self, speed_mps: float) -> tuple[float, float]:
        """Restitution of the fitted line at an impact speed, and its standard deviation."""
        slope = np.array([1.0, -speed_mps])
        e = self.restitution_at_rest - self.restitution_slope_spm * speed_mps
        return e, math.sqrt(float(slope @ self.restitution_cov @ slope))


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
    """
    air = environment or Environment()
    drops = _drops_of(flights, camera, settings)
    if not drops:
        return Unknown(
            "no ball that bounces twice or more on one spot was seen; drop it from about 300 mm "
            "and let it bounce until it rests"
        )
    fixed, free = (
        fit_hops(drops, camera.camera, flights.shutter, air, HopPriors(sd))
        for sd in (settings.gravity_sd_mps2, settings.free_gravity_sd_mps2)
    )
    if fixed is None or free is None:
        return Unknown("what bounced fits no straight fall; let the ball go without a push")
    return _outcome(drops, fixed, free, settings)


def _drops_of(flights: Flights, camera: ClipCamera, settings: DropSettings) -> tuple[Drop, ...]:
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
        detections = flights.detections.take(rows)
        seen = sights(detections, camera, flights.shutter, settings.detection_floor_px)
        touch = np.array([c.t_s for c in run])
        apart = np.abs(seen.t_s[:, None] - touch[None]).min(axis=1)
        # the bounce after the last one may have gone unseen
        end = touch[-1] + 0.19 * float(run[-1].v_out_mps[2])
        # near a bounce the streak is bent: its centre lies on neither hop
        clear = (apart > 0.5 * flights.shutter.exposure_s + 0.0005) & (seen.t_s < end)
        if clear.sum() >= settings.fewest_sights:
            drops.append(Drop(tuple(run), seen.take(np.flatnonzero(clear))))
    return tuple(drops)


N_NUMBERS = 8
TIME, X, Y, SPEED_IN, SPEED_OUT, RESTITUTION, FALL, RISE = range(N_NUMBERS)


def _numbers(block: FloatArray, motion: VerticalMotion) -> FloatArray:
    """(8 n,) numbers of the n bounces of a drop, in the order of the names above."""
    times, v, xy = nodes(block, motion)
    out = np.empty((len(v) - 1, N_NUMBERS))
    for i in range(len(out)):
        fall = motion.rise_height(float(v[i]))
        into = motion.fall_speed(fall)
        rise = motion.rise_height(float(v[i + 1]))
        out[i] = (times[i + 1], *xy[i + 1], into, v[i + 1], v[i + 1] / into, fall, rise)
    return out.ravel()


def _outcome(drops: tuple[Drop, ...], fixed: Hops, free: Hops, settings: DropSettings) -> Drops:
    rows = fixed.derived(_numbers).reshape(-1, N_NUMBERS)
    cov = fixed.derived_cov(_numbers)
    names = [(d, i, c) for d, drop in enumerate(drops) for i, c in enumerate(drop.contacts)]
    blocks = [slice(N_NUMBERS * m, N_NUMBERS * (m + 1)) for m in range(len(names))]
    bounces = tuple(
        _bounce(d, i, contact, rows[m], cov[blocks[m], blocks[m]])
        for m, (d, i, contact) in enumerate(names)
    )
    e_cov = cov[RESTITUTION::N_NUMBERS, RESTITUTION::N_NUMBERS]
    line, line_cov = _line(rows[:, SPEED_IN], rows[:, RESTITUTION], e_cov, settings)
    motion, air = fixed.motion, fixed.environment
    speed = motion.fall_speed(STANDARD_DROP_M)
    slope = np.array([1.0, -speed])
    e, e_sd = float(line @ slope), math.sqrt(float(slope @ line_cov @ slope))
    rise = motion.rise_height(e * speed)
    rise_sd = motion.rise_height((e + e_sd) * speed) - rise
    buoyed = air.effective_gravity_mps2 / air.gravity_mps2
    gravity, gravity_sd = (value / buoyed for value in free.gravity_mps2)
    return Drops(
        bounces, float(line[0]), float(line[1]), line_cov, speed, e, e_sd, rise, rise_sd, gravity,
        math.hypot(gravity_sd, settings.mass_sd_share * gravity), fixed.rms,
    )  # fmt: skip


def _bounce(
    drop: int, number: int, contact: Contact, values: FloatArray, cov: FloatArray
) -> DropBounce:
    sd = np.sqrt(np.maximum(np.diag(cov), 0.0))
    pairs = [(float(values[i]), float(sd[i])) for i in range(N_NUMBERS)]
    return DropBounce(
        drop + 1, number + 1, contact.contact_id, *pairs[TIME], values[X : Y + 1].copy(),
        cov[X : Y + 1, X : Y + 1].copy(), *pairs[SPEED_IN], *pairs[SPEED_OUT],
        *pairs[RESTITUTION], *pairs[FALL], *pairs[RISE],
    )  # fmt: skip


def _line(
    speed: FloatArray, e: FloatArray, cov: FloatArray, settings: DropSettings
) -> tuple[FloatArray, FloatArray]:
    """Restitution as a straight line over speed: (at rest, slope) and covariance."""
    A = np.stack([np.ones_like(speed), -speed], axis=1)
    prior = np.array([settings.restitution_sd, settings.slope_sd_spm]) ** -2.0
    mean = np.array([TABLE_RESTITUTION_AT_REST.value, TABLE_RESTITUTION_SLOPE.value])
    # balls are not quite round and tables not quite even: single bounces stray
    stray, info, line = 0.0, np.eye(2), mean
    for _ in range(4):
        weight = np.linalg.inv(cov + (stray**2 + 1e-8) * np.eye(len(e)))
        info = A.T @ weight @ A + np.diag(prior)
        line = np.linalg.solve(info, A.T @ weight @ e + prior * mean)
        off = e - A @ line
        excess = float(off @ off) - float(np.trace(cov))
        stray = math.sqrt(max(excess, 0.0) / max(len(e) - 2, 1))
    return line, np.asarray(np.linalg.inv(info), dtype=np.float64)
