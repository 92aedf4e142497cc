"""Holds what was measured of a clip against its truth file (format footage-truth-1).

What counts:

- A true bounce *must* be found if it lies between serve and end of a rally and the ball can be seen
  near it: in at least half of the six frames around it more than 0.3 of the ball is visible and
  changes the picture by 10 of 255 or more. Any other touch of the table or its edge *may* be found:
  it neither helps nor hurts.
- A reported bounce is a true one if it lies within 50 ms and 0.4 m of it; pairs are chosen so that
  their summed distance, each part over its limit, is smallest. A reported one without a partner is
  false.
- A stroke is found if a racket contact lies within 60 ms of it.
- The ends of a table look alike, so the half turn of the frame that finds more bounces, or the same
  number better, is taken, once for the clip.
"""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from halfvolley.session.read import ContactRow, read_summary

Floats = NDArray[np.float64]
Kind = Literal["side", "corner", "end", "webcam"]

FORMAT = "footage-truth-1"
SAME_S, SAME_M = 0.05, 0.40  # a reported bounce may be so far from the true one
SAME_STROKE_S = 0.06
SEEN_FRAMES = 3  # before and after a bounce
SEEN_SHARE, SEEN_CONTRAST = 0.3, 10.0
CHI2_95, CHI2_68 = 5.991, 2.279  # of two degrees of freedom
FOUND = 0.5  # rows less probable than this are no claims
CORNERS = ("corner_A_right", "corner_A_left", "corner_B_right", "corner_B_left")
"""(x, y) = (-, -), (-, +), (+, +), (+, -)."""
POSTS = ("post_plus_y", "post_minus_y")


# --- the truth -----------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """A pinhole camera with two radial terms, as OpenCV uses it; pose of the first frame."""

    K: Floats  # (3, 3)
    k: Floats  # (2,)
    R: Floats  # (3, 3)
    t: Floats  # (3,)

    def project(self, xyz_m: Floats) -> Floats:
        """(n, 2) pixels of (n, 3) places."""
        k = np.array([*self.k, 0.0, 0.0])
        turn = cv2.Rodrigues(self.R)[0]
        uv, _ = cv2.projectPoints(xyz_m.reshape(-1, 1, 3), turn, self.t, self.K, k)
        return np.asarray(uv, float).reshape(-1, 2)

    def on_table(self, uv_px: Floats) -> Floats:
        """(n, 2) places on the plane of the table that (n, 2) pixels show [m]."""
        bent = (uv_px - self.K[:2, 2]) / np.diag(self.K)[:2]
        flat = bent
        for _ in range(60):  # OpenCV stops too early for a thousandth of a pixel
            r2 = np.sum(flat**2, axis=1, keepdims=True)
            flat = bent / (1.0 + self.k[0] * r2 + self.k[1] * r2**2)
        ahead = np.column_stack([flat, np.ones(len(uv_px))])
        direction = ahead @ self.R
        centre = -self.R.T @ self.t
        return np.asarray((centre - direction * (centre[2] / direction[:, 2:]))[:, :2])

    def turned(self) -> "Lens":
        """The same camera where both ends have changed their names."""
        return Lens(self.K, self.k, self.R @ np.diag([-1.0, -1.0, 1.0]), self.t)


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """True strokes within the clip."""

    t_s: Floats  # (n,)
    speed_mps: Floats  # (n,) just after
    topspin_revps: Floats  # (n,) just after
    player: tuple[str, ...]  # n, A or B


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What is true of a clip; times on the clip's own clock."""

    name: str
    kind: Kind
    must_t_s: Floats  # (n,)
    must_xy_m: Floats  # (n, 2)
    may_t_s: Floats  # (m,)
    may_xy_m: Floats  # (m, 2)
    strokes: Strokes
    lens: Lens
    landmarks_m: Floats  # (6, 3) CORNERS, then POSTS
    landmarks_px: Floats  # (6, 2) in the first frame
    readout_s: float
    exposure_s: float
    document: dict[str, Any]  # the file, for whoever needs more

    @property
    def corners_px(self) -> Floats:
        """(4, 2) in the order of CORNERS."""
        return self.landmarks_px[:4]


def read_truth(path: Path) -> Truth:
    """The truth file of a clip.

    Raises
    ------
    ValueError
        If the file has another format.
    """
    document = json.loads(path.read_text(encoding="utf-8"))
    if document.get("format") != FORMAT:
        raise ValueError(f"{path} is not of the format {FORMAT}; give truth files beside the clips")
    must, may = asked(document)
    camera = document["camera"]
    K = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1.0]])
    lens = Lens(
        K,
        np.array([camera["k1"], camera["k2"]], float),
        np.array(camera["R"], float),
        np.array(camera["t"], float),
    )
    marks = [document["landmarks_first_frame"][name] for name in CORNERS + POSTS]
    return Truth(
        document["clip"]["name"],
        kind_of_view(lens, float(document["clip"]["nominal_fps"])),
        *places(must),
        *places(may),
        strokes_of(document),
        lens,
        np.array([m["xyz"] for m in marks], float),
        np.array([m["uv"] for m in marks], float),
        float(camera["readout_s"]),
        float(camera["exposure_s"]),
        document,
    )


def kind_of_view(lens: Lens, fps: float) -> Kind:
    """By what is slow, else by the direction in which the camera stands from the table."""
    if fps < 45:
        return "webcam"
    x, y, _ = np.abs(lens.R.T @ lens.t)
    off_side_deg = np.degrees(np.arctan2(x, y))
    return "side" if off_side_deg < 20 else "end" if off_side_deg > 70 else "corner"


def asked(document: dict[str, Any]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Bounces that must be found, and touches of the table that may be."""
    span = {r["id"]: (r["t_serve"], r["t_end"]) for r in document["rallies"]}
    starts = np.array([f["t_world"] for f in document["frames"]])
    dropped = document["clip"]["name"].startswith("drop")  # falls without play are asked for too
    must, may = [], []
    for event in document["events"]:
        if event["type"] not in ("table", "edge") or not event["in_clip"]:
            continue
        first, last = span.get(event.get("rally"), (np.inf, -np.inf))
        in_play = dropped or first - 1e-3 <= event["t"] <= last + 1e-3
        seen = event["type"] == "table" and seen_near(document, starts, event["t"])
        (must if in_play and seen else may).append(event)
    return must, may


def seen_near(document: dict[str, Any], starts: Floats, t_world_s: float) -> bool:
    """Whether the ball can be seen in at least half of the frames about a time."""
    i = int(np.searchsorted(starts, t_world_s))
    frames = document["frames"][max(0, i - SEEN_FRAMES) : i + SEEN_FRAMES]
    seen = [
        bool(b) and b["visible"] > SEEN_SHARE and b.get("contrast", 0) >= SEEN_CONTRAST
        for b in (f["ball"] for f in frames)
    ]
    return bool(seen) and float(np.mean(seen)) >= 0.5


def places(events: list[dict[str, Any]]) -> tuple[Floats, Floats]:
    """Times (n,) and places on the table (n, 2)."""
    t = np.array([e["pts_t"] for e in events], float)
    return t, np.array([e["xyz"][:2] for e in events], float).reshape(-1, 2)


def strokes_of(document: dict[str, Any]) -> Strokes:
    """True strokes between the first and the last frame."""
    first, last = document["clip"]["pts"][0], document["clip"]["pts"][-1]
    inside = [s for s in document["strokes"] if first <= s["pts_t"] <= last]
    velocity = np.array([s["vel"] for s in inside], float).reshape(-1, 3)
    spin = np.array([s["spin"] for s in inside], float).reshape(-1, 3)
    level = np.hypot(velocity[:, 0], velocity[:, 1])
    return Strokes(
        np.array([s["pts_t"] for s in inside], float),
        np.array([s["speed"] for s in inside], float),
        (spin[:, 1] * velocity[:, 0] - spin[:, 0] * velocity[:, 1]) / level,
        tuple(s["player"] for s in inside),
    )


# --- what was measured ---------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, eq=False)
class Claims:
    """What a session says of one clip."""

    t_s: Floats  # (n,) of bounces
    t_sd_s: Floats  # (n,)
    xy_m: Floats  # (n, 2)
    cov_m2: Floats  # (n, 2, 2)
    stroke_t_s: Floats  # (k,)
    stroke_speed_mps: Floats  # (k,) NaN where unknown
    stroke_topspin_revps: Floats  # (k,) NaN where unknown
    stroke_player: tuple[str | None, ...]  # k
    lens: Lens
    readout_s: float
    exposure_s: float


def read_claims(session: Path, clip: str) -> Claims:
    """The newest tables of a session as claims about one of its clips."""
    summary = next(c for c in read_summary(session).clips if c.clip == clip)
    camera = json.loads((session / "tables" / "camera.json").read_text(encoding="utf-8"))
    said = camera["clips"][clip]
    lens = Lens(*(np.array(said[name], float) for name in ("K", "distortion", "R", "t")))
    return claims_of(summary.contacts, lens, said["readout_s"], said["exposure_s"])


def claims_of(
    rows: tuple[ContactRow, ...], lens: Lens, readout_s: float | None, exposure_s: float | None
) -> Claims:
    """Rows of `contacts` and a camera as claims."""
    sure = [r for r in rows if r.probability >= FOUND]
    b = [r for r in sure if r.kind == "table"]
    s = [r for r in sure if r.kind == "racket"]
    cov = [[[r.cov_xx_m2, r.cov_xy_m2], [r.cov_xy_m2, r.cov_yy_m2]] for r in b]
    return Claims(
        numbers([r.t_s for r in b]),
        numbers([r.t_sd_s for r in b]),
        numbers([[r.x_m, r.y_m] for r in b]).reshape(-1, 2),
        numbers(cov).reshape(-1, 2, 2),
        numbers([r.t_s for r in s]),
        numbers([r.speed_out_mps for r in s]),
        numbers([r.spin_out_revps for r in s]),
        tuple(r.player for r in s),
        lens,
        np.nan if readout_s is None else readout_s,
        np.nan if exposure_s is None else exposure_s,
    )


def numbers(values: list[Any]) -> Floats:
    """Numbers, with NaN for None."""
    return np.array(values, dtype=object).astype(np.float64)


# --- one against the other -----------------------------------------------------------------------
@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Bounces held against the truth."""

    n_must: int
    n_claimed: int
    n_false: int
    must: NDArray[np.int64]  # (h,) true ones that were found ...
    claim: NDArray[np.int64]  # (h,) ... and the claims that found them
    error_m: Floats  # (h, 2) claimed less true
    turned: bool  # ends A and B have changed names

    @property
    def n_found(self) -> int:
        """How many of those asked for were found."""
        return len(self.must)

    @property
    def distance_mm(self) -> Floats:
        """(h,) error of each place."""
        return np.asarray(1e3 * np.hypot(self.error_m[:, 0], self.error_m[:, 1]))


def match_bounces(t_s: Floats, xy_m: Floats, truth: Truth, may_turn: bool = True) -> Matched:
    """Which reported bounces are true ones, in the half turn that fits better."""
    true_t = np.concatenate([truth.must_t_s, truth.may_t_s])
    true_xy = np.concatenate([truth.must_xy_m, truth.may_xy_m])
    n_must = len(truth.must_t_s)
    tries = []
    for turned in (False, True) if may_turn else (False,):
        xy = -xy_m if turned else xy_m
        claim, true = pairs(t_s, xy, true_t, true_xy)
        error = xy[claim] - true_xy[true]
        hit = true < n_must
        median = float(np.median(np.hypot(*error.T))) if len(error) else 0.0
        found = Matched(
            n_must, len(t_s), len(t_s) - len(claim), true[hit], claim[hit], error[hit], turned
        )
        tries.append((len(claim), -median, found))
    return max(tries, key=lambda a: a[:2])[2]


def pairs(
    t_s: Floats, xy_m: Floats, true_t_s: Floats, true_xy_m: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Indices of claims and of what they claim."""
    if not len(t_s) or not len(true_t_s):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    late = np.abs(t_s[:, None] - true_t_s)
    off = np.linalg.norm(xy_m[:, None] - true_xy_m, axis=2)
    same = (late < SAME_S) & (off < SAME_M)
    cost = np.where(same, late / SAME_S + off / SAME_M, 1e6)
    a, b = linear_sum_assignment(cost)
    return a[same[a, b]], b[same[a, b]]


@dataclass(frozen=True, slots=True, eq=False)
class Score:
    """A clip's result against the truth. h bounces were found."""

    truth: Truth
    claims: Claims
    bounces: Matched
    mahalanobis2: Floats  # (h,) squared error in units of the claimed covariance
    claimed_sd_mm: Floats  # (n_claimed,) root of the summed variances
    late_s: Floats  # (h,) claimed less true time
    late_sd_s: Floats  # (h,) as claimed
    n_strokes: int
    n_strokes_found: int
    n_strokes_false: int
    speed_off: Floats  # relative error of those strokes whose speed was reported
    topspin_off_revps: Floats  # error of those whose spin was reported
    player_right: NDArray[np.bool_]
    corners_px: Floats  # (4,) distance of each corner, as the claimed camera sees it
    posts_px: Floats  # (2,)
    table_mm: Floats  # (45,) distance between true and claimed place over the surface


def score(truth: Truth, claims: Claims) -> Score:
    """Hold claims against the truth."""
    m = match_bounces(claims.t_s, claims.xy_m, truth)
    lens, off_px = claims.lens, landmarks_off_px(truth, claims.lens)
    other = landmarks_off_px(truth, lens.turned())
    # where no bounce tells which end is which, the corners do
    if m.turned if len(m.must) else other[:4].max() < off_px[:4].max():
        lens, off_px = lens.turned(), other
    return Score(
        truth,
        claims,
        m,
        mahalanobis2(m.error_m, claims.cov_m2[m.claim]),
        1e3 * np.sqrt(np.maximum(np.trace(claims.cov_m2, axis1=1, axis2=2), 0.0)),
        claims.t_s[m.claim] - truth.must_t_s[m.must],
        claims.t_sd_s[m.claim],
        *score_strokes(truth.strokes, claims, m.turned),
        off_px[:4],
        off_px[4:],
        table_error_mm(truth, lens),
    )


def landmarks_off_px(truth: Truth, lens: Lens) -> Floats:
    """(6,) how far a camera sees corners and posts from where they are."""
    return np.asarray(np.hypot(*(lens.project(truth.landmarks_m) - truth.landmarks_px).T))


def camera_off_px(truth: Truth, lens: Lens) -> Floats:
    """The same in the half turn of the table that fits better."""
    ways = [landmarks_off_px(truth, way) for way in (lens, lens.turned())]
    return min(ways, key=lambda off: float(np.max(off[:4])))


def mahalanobis2(error_m: Floats, cov_m2: Floats) -> Floats:
    """(h,) squared errors over their covariance; infinite where it is missing or no covariance."""
    out = np.full(len(error_m), np.inf)
    for i, (e, c) in enumerate(zip(error_m, cov_m2, strict=True)):
        if np.isfinite(c).all() and np.linalg.det(c) > 0 and c[0, 0] > 0:
            out[i] = e @ np.linalg.solve(c, e)
    return out


def score_strokes(
    truth: Strokes, claims: Claims, turned: bool
) -> tuple[int, int, int, Floats, Floats, NDArray[np.bool_]]:
    """True strokes, found and false ones, relative error of speed, error of topspin, player."""
    claimed = pair_strokes(truth.t_s, claims.stroke_t_s)
    k = np.array(list(claimed), np.int64)
    i = np.array(list(claimed.values()), np.int64)
    speed = claims.stroke_speed_mps[k] / truth.speed_mps[i] - 1.0
    spin = claims.stroke_topspin_revps[k] - truth.topspin_revps[i]
    ends = {"A": "B", "B": "A"} if turned else {"A": "A", "B": "B"}
    player = [claims.stroke_player[a] == ends[truth.player[b]] for a, b in claimed.items()]
    return (
        len(truth.t_s),
        len(k),
        len(claims.stroke_t_s) - len(k),
        speed[np.isfinite(speed)],
        spin[np.isfinite(spin)],
        np.array(player, bool),
    )


def pair_strokes(true_t_s: Floats, claimed_t_s: Floats) -> dict[int, int]:
    """For claimed strokes the true ones that they are; each is taken once."""
    claimed: dict[int, int] = {}
    for i, t in enumerate(true_t_s):
        if not len(claimed_t_s):
            break
        k = int(np.argmin(np.abs(claimed_t_s - t)))
        if abs(claimed_t_s[k] - t) < SAME_STROKE_S and k not in claimed:
            claimed[k] = i
    return claimed


def table_error_mm(truth: Truth, lens: Lens) -> Floats:
    """(45,) how far from a place of the table the claimed camera sees it, over the surface."""
    corner = truth.landmarks_m[2]
    x, y = np.meshgrid(np.linspace(-1, 1, 9) * corner[0], np.linspace(-1, 1, 5) * corner[1])
    place = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    seen = lens.on_table(truth.lens.project(place))
    return np.asarray(1e3 * np.linalg.norm(seen - place[:, :2], axis=1))
