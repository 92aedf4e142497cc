"""When and where a serve was struck, from the flight that came of it.

Every time at which the stroke may have been is weighed: by where the flight, followed back, lies
then behind the end line, by how long the ball was not seen afterwards, and, where the toss was
seen, by whether both meet. Mean and spread of these weights are the stroke with its standard
deviations. Back over a bounce that was not seen the flight is followed by the bounce law; what the
ball lost there along the table is known only as far as friction and spin allow.
"""

from dataclasses import dataclass

import numpy as np

from halfvolley.constants import (
    BALL_RADIUS_M,
    TABLE_FRICTION,
    TABLE_LENGTH_M,
    TABLE_RESTITUTION_AT_REST,
    TABLE_RESTITUTION_SLOPE,
    TABLE_WIDTH_M,
)
from halfvolley.flight.junctions import RESTITUTION_SD
from halfvolley.flight.normal import PLANE_SD_M
from halfvolley.flight.pieces import SPIN_SD_RADPS
from halfvolley.physics.kernels import fly_sensitivities
from halfvolley.types import Arc, FloatArray

R = BALL_RADIUS_M.value
HALF_LENGTH_M, HALF_WIDTH_M = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
STEP_S = 0.001  # between times that are tried
REACH_S = 0.25  # a serve is struck no longer than this before it is seen or bounces
BEHIND_M, BEHIND_SD_M = 0.2, 0.15  # where servers strike, behind the end line
UNSEEN_PS = 25.0  # log-odds against each second in which the ball was not seen
MEET_SD_M = 0.02  # what a toss that is followed unseen may err by
RISE_S = 0.1  # so long before the first sighting, a stroke may lie between it and a bounce
TAKEN_FRAMES = 2.5  # sightings so shortly before a bounce may be taken for ones after it
EDGE_M = 0.03  # how far outside the table a bounce may seem to lie
SLIDES, SLIDES_SD = 0.6, 0.35  # share of full friction that slows a serve at its first bounce
TIME_SD_S = 0.002


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Place, velocity and spin at a time."""

    t_s: float
    t_sd_s: float
    x: FloatArray  # (9,) as in `Arc`
    cov: FloatArray  # (9, 9)


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """A flight, to be followed beyond its ends."""

    t_s: float
    x: FloatArray  # (9,) state at that time
    cov: FloatArray  # (9, 9)
    air: tuple[float, ...]  # as flight kernels take it

    @staticmethod
    def of(arc: Arc, air: FloatArray) -> "Path":
        """The path of an arc; `air` (7,) is that of the clip."""
        own = (air[0], air[1], arc.drag, arc.lift, air[4], air[5], arc.lift_bend)
        state = np.concatenate([arc.xyz_m, arc.v_mps, arc.omega_radps])
        return Path(arc.t0_s, state, arc.cov, own)

    def states(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """States (n, 9) at times (n,) in ascending order, and their covariances (n, 9, 9)."""
        x = self.x
        states, jac = fly_sensitivities(x[:3], x[3:6], x[6:], *self.air, t_s - self.t_s)
        J = jac[:, :, :9]
        return states, J @ self.cov @ J.transpose(0, 2, 1)

    def state(self, t_s: float) -> State:
        """The state at a time."""
        states, cov = self.states(np.array([t_s]))
        return State(t_s, 0.0, states[0], cov[0])


def struck(path: Path, latest_s: float, end: float, toss: Path | None) -> State | None:
    """State just after the stroke that leads to a flight.

    Parameters
    ----------
    path : Path
        The flight, up to the first bounce.
    latest_s : float
        The stroke was before this [s].
    end : {-1, 1}
        Sign of x at the server's end.
    toss : Path, optional
        The ball's flight before, if it was seen.

    Returns
    -------
    State or None
        None where the flight does not come from behind the end line and above the table.

    Notes
    -----
    There the ball has to be until it is struck (ITTF Law 2.6.4).
    """
    t = np.arange(latest_s - REACH_S, latest_s, STEP_S)
    states, cov = path.states(t)
    behind = end * states[:, 0] - HALF_LENGTH_M
    cost = (behind - BEHIND_M) ** 2 / (BEHIND_SD_M**2 + cov[:, 0, 0])
    cost += 2.0 * UNSEEN_PS * (latest_s - t)
    if toss is not None:
        there, there_cov = toss.states(t)
        off = states[:, :3] - there[:, :3]
        spread = cov[:, :3, :3] + there_cov[:, :3, :3] + MEET_SD_M**2 * np.eye(3)
        cost += np.einsum("ni,ni->n", off, np.linalg.solve(spread, off[:, :, None])[:, :, 0])
        cost += np.linalg.slogdet(spread)[1]
    lawful = (behind > 0.0) & (states[:, 2] > 0.0)
    if not lawful.any():
        return None
    weight = np.where(lawful, np.exp(-0.5 * (cost - cost[lawful].min())), 0.0)
    weight /= weight.sum()
    t_mean = float(weight @ t)
    t_sd = float(np.sqrt(weight @ (t - t_mean) ** 2 + TIME_SD_S**2))
    mean = path.state(t_mean).x
    off = states - mean
    spread = np.einsum("n,nij->ij", weight, cov) + np.einsum("n,ni,nj->ij", weight, off, off)
    return State(t_mean, t_sd, mean, spread)


def risen(path: Path, first_s: float, frame_s: float, end: float) -> State | None:
    """Where a flight comes up from the server's side of the table, about when it is first seen.

    Parameters
    ----------
    path : Path
        The flight.
    first_s, frame_s : float
        First sighting, and time between frames [s].
    end : {-1, 1}
        Sign of x at the server's end.

    Returns
    -------
    State or None
        Just after that bounce; None where the flight comes from elsewhere.
    """
    t = np.arange(first_s - RISE_S, first_s + TAKEN_FRAMES * frame_s, STEP_S)
    states, cov = path.states(t)
    up = np.flatnonzero((states[:-1, 2] <= R) & (states[1:, 2] > R))
    if not len(up):
        return None
    x, C = states[up[0] + 1], cov[up[0] + 1]
    on_plane = np.eye(9)
    on_plane[:3, 2] -= x[3:6] / x[5]  # an error in height is one in time
    t_sd = float(np.hypot(np.sqrt(C[2, 2]) / x[5], TIME_SD_S))
    C = on_plane @ C @ on_plane.T
    C[2, 2] += PLANE_SD_M**2
    slack = EDGE_M + 2.0 * np.sqrt(np.diag(C)[:2])
    on_table = np.abs(x[:2]) < np.array([HALF_LENGTH_M, HALF_WIDTH_M]) + slack
    if end * x[0] < R or not on_table.all():
        return None
    return State(float(t[up[0] + 1]), t_sd, x, C)


def back_over_bounce(after: State, air: tuple[float, ...]) -> Path:
    """The flight before a serve's first bounce on the table; its spin is not known."""
    x, C = after.x.copy(), after.cov.copy()
    e = TABLE_RESTITUTION_AT_REST.value - TABLE_RESTITUTION_SLOPE.value * x[5]
    into = x[5] / e
    full = TABLE_FRICTION.value * (1.0 + e) * into  # lost along the table by a ball that slides
    x[3:5] *= 1.0 + SLIDES * full / np.hypot(x[3], x[4])
    x[5], x[6:] = -into, 0.0
    C[3:5, 3:5] += (SLIDES_SD * full) ** 2 * np.eye(2)
    C[5, 5] += (RESTITUTION_SD * into) ** 2
    C[6:, :], C[:, 6:], C[6:, 6:] = 0.0, 0.0, np.diag(np.square(SPIN_SD_RADPS))
    return Path(after.t_s, x, C, air)
