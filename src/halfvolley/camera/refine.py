"""The camera from sightings of the table's lines in several pictures at once."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfvolley.camera.projection import project_jacobian, rotation_vector, rotations
from halfvolley.camera.sightings import Sightings
from halfvolley.camera.table import CORNERS_M, N_OUTER, NET, STRIPS, strip_points
from halfvolley.constants import NET_HEIGHT_M, TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.types import BoolArray, Camera, FloatArray, IntArray

N_BIAS = 3  # offset, tilt and bow of each line
# the unknowns that all pictures share: log f, cx, cy, k1, k2; length, width of the table; place,
# height and sag of the net; bias of each line on the table
TABLE_AT = 5
NET_AT = TABLE_AT + 2
BIAS_AT = NET_AT + 3
N_SHARED = BIAS_AT + N_BIAS * (N_OUTER + 1)


@dataclass(frozen=True, slots=True)
class RefineSettings:
    """What is believed before a picture is looked at: standard deviations about nothing special."""

    log_f_sd: float = 0.7  # about the picture's width: any lens from ultra wide to tele
    k1_sd: float = 0.15  # ordinary lenses, phones to action cameras
    k2_sd: float = 0.05
    centre_sd_share: float = 0.01  # of the width: how far lenses sit off the sensor's middle
    drift_sd_rad: float = 0.01  # between pictures of one view: a tripod settles
    drift_sd_m: float = 0.01
    bias_sd_px: float = 0.07  # pull common to a whole line: paint, light, coding
    net_place_sd_m: float = 0.003  # the net's plane off the middle of the table
    net_band_sd_m: float = 0.002  # the band's middle: its width, its upper side
    net_sag_sd_m: float = 0.002  # the cord hangs through between the posts
    noise_px: float = 0.03  # no cut is better than this
    tukey: float = 4.685  # 95 % efficient where errors are normal
    huber: float = 1.345  # the same
    early: int = 4  # steps before single sightings may be given up


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """A fitted camera and what it rests on."""

    cameras: tuple[Camera, ...]  # one a picture, each with the covariance of the first
    used: tuple[int, ...]  # sightings that count, a strip, all pictures
    residual_px: float  # rms of those on the table
    residual_mm: float  # the same on the table
    inlier: tuple[BoolArray, ...]  # a picture, of its sightings


@dataclass(frozen=True, slots=True, eq=False)
class Clicks:
    """Corners pointed at by hand in the first picture; they decide what the lines leave open."""

    uv_px: FloatArray  # (4, 2) in the order of CORNERS_M
    sd_px: float


@dataclass(slots=True, eq=False)
class _State:
    """Unknowns during the search."""

    cameras: list[Camera]
    shared: FloatArray  # (N_SHARED - TABLE_AT,) the ones that are not in Camera

    def moved(self, step: FloatArray) -> "_State":
        cameras = []
        for i, camera in enumerate(self.cameras):
            d = step[N_SHARED + 6 * i : N_SHARED + 6 * i + 6]
            cameras.append(
                replace(
                    camera, f_px=camera.f_px * float(np.exp(step[0])), c_px=camera.c_px + step[1:3],
                    k=camera.k + step[3:5], R=rotations(d[None, :3])[0] @ camera.R,
                    t_m=camera.t_m + d[3:],
                )
            )  # fmt: skip
        return _State(cameras, self.shared + step[TABLE_AT:N_SHARED])


def _residuals(
    camera: Camera, shared: FloatArray, seen: Sightings
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Miss (n,) [px], its derivatives to shared (n, N_SHARED) and pose (n, 6), and px/m inwards."""
    points = strip_points(seen.strip, seen.along)
    n = len(points)
    net = seen.strip == NET
    q = 2.0 * seen.along - 1.0
    d_points = np.zeros((n, 3, NET_AT - TABLE_AT + 3))
    d_points[~net, 0, 0] = points[~net, 0] / TABLE_LENGTH_M.value
    d_points[~net, 1, 1] = points[~net, 1] / TABLE_WIDTH_M.value
    d_points[net, 0, 2] = 1.0
    d_points[net, 2, 3] = 1.0
    d_points[net, 2, 4] = 1.0 - q[net] ** 2
    points = points + d_points @ shared[: BIAS_AT - TABLE_AT]
    uv, d_xyz, d_camera = project_jacobian(camera, points)
    across = np.einsum("ni,nij->nj", seen.normal, d_xyz)
    d_camera_across = np.einsum("ni,nij->nj", seen.normal, d_camera)
    d_shared = np.zeros((n, N_SHARED))
    d_shared[:, :TABLE_AT] = d_camera_across[:, :TABLE_AT]
    d_shared[:, 0] *= camera.f_px
    d_shared[:, TABLE_AT:BIAS_AT] = np.einsum("nj,njk->nk", across, d_points)
    shapes = np.stack([np.ones(n), q, 1.5 * q * q - 0.5], axis=1)
    rows = np.flatnonzero(~net)
    for j in range(N_BIAS):
        d_shared[rows, BIAS_AT + N_BIAS * seen.strip[rows] + j] = shapes[rows, j]
    miss = np.sum((seen.uv_px - uv) * seen.normal, axis=1)
    miss -= d_shared[:, BIAS_AT:] @ shared[BIAS_AT - TABLE_AT :]
    inward = np.stack([s.inward for s in STRIPS])[seen.strip]
    return miss, d_shared, d_camera_across[:, 5:], np.abs(np.sum(across * inward, axis=1))


def misses(camera: Camera, seen: Sightings) -> tuple[FloatArray, FloatArray]:
    """How far sightings of lines are from where a camera has them, as it stands.

    Returns
    -------
    tuple of (n,) float64
        Across the line in the picture [px], and on the table [mm].
    """
    off_px, _, _, px_per_m = _residuals(camera, np.zeros(N_SHARED - TABLE_AT), seen)
    return off_px, 1e3 * off_px / np.maximum(px_per_m, 1e-3)


def _prior(state: _State, settings: RefineSettings) -> tuple[FloatArray, FloatArray]:
    """Normal matrix and right side of what is believed beforehand."""
    m = len(state.cameras)
    first = state.cameras[0]
    width, height = first.size_px
    centre = np.array([0.5 * (width - 1), 0.5 * (height - 1)])
    sd = np.concatenate(
        [[settings.log_f_sd], np.full(2, settings.centre_sd_share * width),
         [settings.k1_sd, settings.k2_sd, TABLE_LENGTH_M.sd, TABLE_WIDTH_M.sd],
         [settings.net_place_sd_m, np.hypot(NET_HEIGHT_M.sd, settings.net_band_sd_m),
         settings.net_sag_sd_m],
         np.full(N_SHARED - BIAS_AT, settings.bias_sd_px)]
    )  # fmt: skip
    value = np.concatenate(
        [[np.log(first.f_px / width)], first.c_px - centre, first.k, state.shared]
    )
    A = np.zeros((N_SHARED + 6 * m,) * 2)
    g = np.zeros(N_SHARED + 6 * m)
    A[np.arange(N_SHARED), np.arange(N_SHARED)] = sd**-2.0
    g[:N_SHARED] = -value / sd**2
    tie = np.array([settings.drift_sd_rad] * 3 + [settings.drift_sd_m] * 3) ** -2.0
    for i in range(1, m):
        other = state.cameras[i]
        apart = np.concatenate([rotation_vector(other.R @ first.R.T), other.t_m - first.t_m])
        a, b = N_SHARED + np.arange(6), N_SHARED + 6 * i + np.arange(6)
        A[a, a] += tie
        A[b, b] += tie
        A[a, b] -= tie
        A[b, a] -= tie
        g[a] += tie * apart
        g[b] -= tie * apart
    return A, g


def _add_clicks(A: FloatArray, g: FloatArray, camera: Camera, clicks: Clicks | None) -> None:
    """Corners pointed at by hand as eight equations on the first camera."""
    if clicks is None:
        return
    uv, _, d = project_jacobian(camera, CORNERS_M)
    J = np.zeros((8, len(g)))
    J[:, :TABLE_AT] = d[:, :, :TABLE_AT].reshape(8, TABLE_AT)
    J[:, 0] *= camera.f_px
    J[:, N_SHARED : N_SHARED + 6] = d[:, :, TABLE_AT:].reshape(8, 6)
    A += J.T @ J / clicks.sd_px**2
    g += J.T @ (clicks.uv_px - uv).ravel() / clicks.sd_px**2


def _prior_cost(state: _State, settings: RefineSettings, clicks: Clicks | None) -> float:
    """Squared distance to what is believed, in standard deviations."""
    A, g = _prior(state, settings)
    first = state.cameras[0]
    tie = np.array([settings.drift_sd_rad] * 3 + [settings.drift_sd_m] * 3) ** -2.0
    cost = float(np.sum(g[:N_SHARED] ** 2 / np.diag(A)[:N_SHARED]))
    for other in state.cameras[1:]:
        d = np.concatenate([rotation_vector(other.R @ first.R.T), other.t_m - first.t_m])
        cost += float(tie @ d**2)
    if clicks is not None:
        off = project_jacobian(first, CORNERS_M)[0] - clicks.uv_px
        cost += float(np.sum(off**2)) / clicks.sd_px**2
    return cost


def _weights(
    miss: FloatArray, sd: FloatArray, m: int, settings: RefineSettings, early: bool = False
) -> FloatArray:
    """Tukey weights over variance [px^-2]; early on Huber's, which let no line go for good.

    What a still scene does to a cut (jagged edges, coding) is the same in all m pictures, so m
    pictures are not given m times the weight of one.
    """
    spread = max(1.4826 * float(np.median(np.abs(miss))), settings.noise_px)
    scale = np.sqrt(np.minimum(sd, 0.3) ** 2 + spread**2)
    if early:
        gentle: FloatArray = 1.0 / np.maximum(np.abs(miss / scale) / settings.huber, 1.0)
        return gentle / (scale**2 * m)
    z = miss / (settings.tukey * scale)
    weight: FloatArray = np.where(np.abs(z) < 1.0, (1.0 - z * z) ** 2, 0.0) / (scale**2 * m)
    return weight


def refine(
    cameras: Sequence[Camera], sightings: Sequence[Sightings],
    settings: RefineSettings = RefineSettings(), iterations: int = 10,
    clicks: Clicks | None = None,
) -> Refined:  # fmt: skip
    """Fit one camera with a pose a picture to sightings of the lines.

    Parameters
    ----------
    cameras : sequence of Camera
        Starts, one a picture; all share intrinsics.
    sightings : sequence of Sightings
        One a picture, at least a dozen rows in all.
    settings : RefineSettings
        Priors and robustness.
    iterations : int
        At most so many steps.
    clicks : Clicks, optional
        Corners given by hand.

    Returns
    -------
    Refined
        Cameras, one a picture. The covariance holds the size tolerances of table and net and a
        bias common to each line as nuisances.

    Notes
    -----
    Levenberg-Marquardt with weights renewed at each step. Neighbouring cuts are not independent:
    what they have in common is the bias of the line, three unknowns a line.
    """
    m = len(cameras)
    n = N_SHARED + 6 * m
    strip = np.concatenate([s.strip for s in sightings])
    sd = np.concatenate([s.sd_px for s in sightings])
    state = _State(list(cameras), np.zeros(N_SHARED - TABLE_AT))
    damping = 1e-6
    parts = [_residuals(c, state.shared, s) for c, s in zip(state.cameras, sightings, strict=True)]
    miss = np.concatenate([p[0] for p in parts])
    for iteration in range(iterations):
        early = iteration < min(settings.early, iterations - 2)
        weight = _weights(miss, sd, m, settings, early)
        A, g = _prior(state, settings)
        _add_clicks(A, g, state.cameras[0], clicks)
        at = 0
        for i, (r, d_shared, d_pose, _) in enumerate(parts):
            w = weight[at : at + len(r)]
            at += len(r)
            own = slice(N_SHARED + 6 * i, N_SHARED + 6 * i + 6)
            ws = d_shared * w[:, None]
            A[:N_SHARED, :N_SHARED] += ws.T @ d_shared
            cross = ws.T @ d_pose
            A[:N_SHARED, own] += cross
            A[own, :N_SHARED] += cross.T
            A[own, own] += (d_pose * w[:, None]).T @ d_pose
            g[:N_SHARED] += ws.T @ r
            g[own] += d_pose.T @ (w * r)
        size = np.sqrt(np.diag(A))
        cost = float(weight @ miss**2) + _prior_cost(state, settings, clicks)
        moved = False
        for _ in range(6):
            scaled = A / np.outer(size, size) + damping * np.eye(n)
            step = np.linalg.solve(scaled, g / size) / size
            step[0] = np.clip(step[0], -0.3, 0.3)
            trial = state.moved(step)
            trial_parts = [
                _residuals(c, trial.shared, s)
                for c, s in zip(trial.cameras, sightings, strict=True)
            ]
            trial_miss = np.concatenate([p[0] for p in trial_parts])
            if np.isfinite(trial_miss).all():
                trial_cost = float(weight @ trial_miss**2) + _prior_cost(trial, settings, clicks)
                if trial_cost <= cost * (1 + 1e-12):
                    moved = True
                    break
            damping = max(damping * 10.0, 1e-4)
        if not moved:
            if early:
                continue
            break
        gain = cost - trial_cost
        state, parts, miss = trial, trial_parts, trial_miss
        damping = max(damping * 0.1, 1e-9)
        if gain < 1e-7 * (1.0 + cost) and not early:
            break
    return _summary(state, A, miss, parts, strip, sightings, sd, settings)


def _summary(
    state: _State, A: FloatArray, miss: FloatArray, parts: Sequence[tuple[FloatArray, ...]],
    strip: IntArray, sightings: Sequence[Sightings], sd: FloatArray, settings: RefineSettings,
) -> Refined:  # fmt: skip
    size = np.sqrt(np.diag(A))
    inverse = np.linalg.inv(A / np.outer(size, size)) / np.outer(size, size)
    pick = np.concatenate([np.arange(TABLE_AT), N_SHARED + np.arange(6)])
    cov = inverse[np.ix_(pick, pick)]
    scale = np.ones(11)
    scale[0] = state.cameras[0].f_px
    cov = cov * np.outer(scale, scale)
    good = _weights(miss, sd, 1, settings) > 0
    on_table = good & (strip != NET)
    per_m = np.concatenate([p[3] for p in parts])
    ends = np.cumsum([len(s) for s in sightings])[:-1]
    rms = float(np.sqrt(np.mean(miss[on_table] ** 2))) if on_table.any() else float("nan")
    mm = 1e3 * miss[on_table] / np.maximum(per_m[on_table], 1e-3)
    return Refined(
        cameras=tuple(replace(c, cov=0.5 * (cov + cov.T)) for c in state.cameras),
        used=tuple(int(np.sum(good & (strip == k))) for k in range(len(STRIPS))),
        residual_px=rms,
        residual_mm=float(np.sqrt(np.mean(mm**2))) if on_table.any() else float("nan"),
        inlier=tuple(np.split(good, ends)),
    )
