"""Finding the table: straight edges, quadrilaterals with a dark inside, cameras that fit them."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from halfvolley.camera import find_kernels
from halfvolley.camera.evidence import COARSE, JudgeSettings, evidence_of, judge
from halfvolley.camera.projection import project
from halfvolley.camera.refine import refine
from halfvolley.camera.sightings import Tone, cuts_of, joined, sight
from halfvolley.camera.table import CORNERS_M, NET
from halfvolley.camera.three_kernels import upright
from halfvolley.camera.three_sides import cameras_of_three
from halfvolley.constants import EDGE_LINE_WIDTH_M
from halfvolley.types import BoolArray, ByteImage, Camera, FloatArray, Frame

_TONE = Tone()
INNER_CORNERS_M: FloatArray = CORNERS_M - np.sign(CORNERS_M) * EDGE_LINE_WIDTH_M.value


@dataclass(frozen=True, slots=True)
class FindSettings:
    """How a table is looked for, in a picture made `width_px` wide."""

    width_px: int = 1280  # thin lines live, and a 4K clip costs no more than 720p
    pictures: int = 7  # combined so that people vanish
    min_segment_share: float = 0.012  # of the width: shorter straight edges are clutter
    min_line_share: float = 0.025  # of the width, all pieces of a line together
    hue_share: float = 0.5  # of a surface's tint, by which its hue may differ from place to place
    most_segments: int = 2500  # strongest first
    most_lines: int = 240  # strongest first; walls of stripes or bricks have many
    most_quads: int = 50_000
    fitted_quads: int = 400  # best outlined ones; the table is among the first dozen or so
    min_f_share: float = 0.26  # focal length, of the width: wider is no ordinary lens
    max_f_share: float = 4.0
    max_centre_share: float = 0.05  # of the width: principal point off the middle
    max_k: float = 0.6  # radial distortion, either term
    quad_miss_px: float = 9.0  # corners may miss a lens without distortion by this
    worth_of_white: float = 0.4  # of an outline's lines as bright as any, beside its covered share
    tries: int = 14  # cameras of four lines that are held against the picture in detail
    tries_of_three: int = 16  # the same of three lines
    most_threes: int = 3000  # sets of three lines that are looked at
    sigma_px: float = 0.7  # blur of edges in the small picture
    singles: int = 5  # pictures looked at one by one where people never leave a line
    judge: JudgeSettings = field(default_factory=JudgeSettings)
    least_light: float = 0.2  # of outer lines, of those of the strongest table: paint is white


@dataclass(frozen=True, slots=True, eq=False)
class Planes:
    """One picture without people, made small."""

    luma: ByteImage  # (h, w)
    cb: ByteImage  # (h, w)
    cr: ByteImage  # (h, w)
    scale: float  # small pixels per pixel of the clip
    singles: tuple[ByteImage, ...] = ()  # some of the pictures by themselves, with their people

    @property
    def stacked(self) -> ByteImage:
        """(3, h, w) luma, cb, cr."""
        return np.stack([self.luma, self.cb, self.cr])


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Straight edges, pieces joined; strongest first."""

    abc: FloatArray  # (n, 3) a u + b v + c > 0 on the dark side, a^2 + b^2 = 1
    running: FloatArray  # (n, cells + 1) covered length up to each cell along (-b, a) [px]
    zero: float  # coordinate of cell 0 is -zero
    dark: FloatArray  # (n, 3) luma, cb - 128, cr - 128 on the dark side
    contrast: FloatArray  # (n,) luma of the bright side above that of the dark one


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """A table in a picture."""

    camera: Camera  # in pixels of the clip
    outer: float  # share of the visible outer lines found
    centre: float  # share of the centre line found
    net: float  # share of the net found
    convincing: bool  # centre line and net are where a table has them
    light: float  # of the outer lines above the inside; 100 is white
    weight_px: float  # length of its lines seen, less where its surface is not
    whole: bool  # all four corners inside the picture
    corners_px: FloatArray  # (4, 2)

    @property
    def plain(self) -> bool:
        """Whether nothing is left that another camera could explain better."""
        return self.convincing and min(self.outer, self.centre, self.net) > 0.85


def small_picture(
    pictures: Sequence[Frame], settings: FindSettings = FindSettings(), alone: bool = False
) -> Planes:
    """Median of pictures of one view, made small; with `alone` some pictures by themselves too."""
    height, width = pictures[0].luma.shape
    scale = min(1.0, settings.width_px / width)
    size = (round(width * scale), round(height * scale))
    step = max(1, -(-len(pictures) // settings.pictures))
    chosen = pictures[::step]

    def combine(name: str) -> ByteImage:
        planes = [_resized(getattr(p, name), size) for p in chosen]
        if len(planes) < 3:
            return planes[0]
        return np.median(np.stack(planes), axis=0).astype(np.uint8)

    apart = pictures[:: max(1, -(-len(pictures) // settings.singles))] if alone else ()
    singles = tuple(_resized(p.luma, size) for p in apart)
    return Planes(combine("luma"), combine("cb"), combine("cr"), size[0] / width, singles)


def _resized(plane: ByteImage, size: tuple[int, int]) -> ByteImage:
    if plane.shape[::-1] == size:
        return plane
    how = cv2.INTER_AREA if plane.shape[1] > size[0] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(plane, size, interpolation=how), dtype=np.uint8)


def straight_edges(planes: Planes, settings: FindSettings = FindSettings()) -> Lines:
    """Straight edges of a picture with their dark side, collinear pieces joined."""
    height, width = planes.luma.shape
    ends = np.concatenate([_segments(luma) for luma in (planes.luma, *planes.singles)])
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    ends = ends[length > settings.min_segment_share * width]
    a, b = ends[:, :2], ends[:, 2:]
    length = np.hypot(*(b - a).T)
    along = (b - a) / length[:, None]
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    places = a[:, None, :] + (b - a)[:, None, :] * np.linspace(0.1, 0.9, 9)[None, :, None]

    def level(plane: ByteImage, off_px: float) -> FloatArray:
        at = (places + off_px * normal[:, None, :]).astype(np.float32)
        seen = cv2.remap(
            plane, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        middle: FloatArray = np.median(np.asarray(seen, dtype=np.float64), axis=1)
        return middle

    if len(ends) == 0:
        return Lines(np.zeros((0, 3)), np.zeros((0, 1)), 0.0, np.zeros((0, 3)), np.zeros(0))
    one, other = level(planes.luma, 1.6), level(planes.luma, -1.6)
    normal *= np.where(one < other, 1.0, -1.0)[:, None]
    bright, shade = np.maximum(one, other), np.minimum(one, other)
    # a line so thin that one edge of it was found only: beyond it may lie a surface as well
    peak = np.max([level(planes.luma, -off_px) for off_px in (0.5, 1.0, 1.5, 2.0)], axis=0)
    beyond = level(planes.luma, -3.5)
    thin = np.flatnonzero(_stands_out(peak, beyond) & _stands_out(peak, level(planes.luma, 3.5)))
    normal = np.concatenate([normal, -normal[thin]])
    a, b, length, places = (np.concatenate([x, x[thin]]) for x in (a, b, length, places))
    bright, shade = np.append(bright, peak[thin]), np.append(shade, beyond[thin])
    dark = np.stack(
        [level(planes.luma, 3.5), level(planes.cb, 4.5) - 128.0, level(planes.cr, 4.5) - 128.0],
        axis=1,
    )
    strong = np.flatnonzero(_stands_out(bright, shade))
    worth = (length * (bright - shade))[strong]
    strong = np.sort(strong[np.argsort(-worth, kind="stable")[: settings.most_segments]])
    return _joined(
        a[strong], b[strong], normal[strong], dark[strong], (bright - dark[:, 0])[strong],
        float(np.hypot(width, height)), settings.min_line_share * width, settings.most_lines,
        settings.hue_share,
    )  # fmt: skip


def _stands_out(bright: FloatArray, shade: FloatArray) -> BoolArray:
    """Where luma is seen to be brighter."""
    out: BoolArray = bright - shade > np.maximum(8.0, 0.12 * (bright - 16.0))
    return out


def _segments(luma: ByteImage) -> FloatArray:
    """(n, 4) straight edges as end points [px], found at half the size too: blurred ones."""
    height, width = luma.shape
    half = cv2.resize(luma, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    parts = [np.zeros((0, 4))]
    for picture, scale in ((luma, 1.0), (half, 2.0)):
        raw = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(np.asarray(picture))[0]
        if raw is not None:
            ends = np.asarray(raw, dtype=np.float64).reshape(-1, 4)
            parts.append((ends + 0.5) * scale - 0.5)
    return np.concatenate(parts)


def alike(dark: FloatArray, hue_share: float) -> BoolArray:
    """(n, n) which dark sides (n, 3) can be one surface: light may fall off, colour hardly changes.

    Hues may differ by `hue_share` of the tint; by more where the table mirrors something coloured.
    """
    luma, chroma = dark[:, 0], dark[:, 1:]
    apart = np.abs(luma[:, None] - luma[None])
    level = np.maximum(np.minimum(luma[:, None], luma[None]) - 16.0, 0.0)
    tint = np.linalg.norm(chroma, axis=1)
    hue = np.linalg.norm(chroma[:, None] - chroma[None], axis=2)
    close: BoolArray = (apart < 12.0 + 1.6 * level) & (
        hue < 6.0 + hue_share * np.maximum(tint[:, None], tint[None])
    )
    return close


def _joined(
    a: FloatArray, b: FloatArray, normal: FloatArray, dark: FloatArray, contrast: FloatArray,
    diagonal: float, min_length: float, most: int, hue_share: float,
) -> Lines:  # fmt: skip
    """Join collinear pieces with the same dark side, longest first."""
    length = np.hypot(*(b - a).T)
    same = alike(dark, hue_share)
    free = np.ones(len(a), dtype=bool)
    middle = 0.5 * (a + b)
    groups = []
    for i in np.argsort(-length, kind="stable"):
        if not free[i]:
            continue
        n, p, rows = normal[i], middle[i], np.array([i])
        for _ in range(2):
            bow = 2.0 + 0.006 * np.abs((middle - p) @ np.array([-n[1], n[0]]))
            near = (np.abs((a - p) @ n) < bow) & (np.abs((b - p) @ n) < bow)
            near &= free & same[i] & (normal @ n > np.cos(np.radians(3.0)))
            rows = np.flatnonzero(near) if near.any() else rows
            points = np.concatenate([a[rows], b[rows]])
            weight = np.concatenate([length[rows], length[rows]])
            p = np.average(points, axis=0, weights=weight)
            spread = (points - p).T @ ((points - p) * weight[:, None])
            across = np.linalg.eigh(spread)[1][:, 0]
            n = across * np.sign(across @ n)
        free[rows] = False
        free[i] = False
        groups.append((n, p, rows))
    total = np.array([length[r].sum() for _, _, r in groups])
    strength = np.array([length[r] @ contrast[r] for _, _, r in groups])
    order = [i for i in np.argsort(-strength, kind="stable") if total[i] > min_length][:most]
    zero = float(np.ceil(1.5 * diagonal))
    cells = int(2 * zero / find_kernels.CELL_PX) + 1
    abc, running = np.zeros((len(order), 3)), np.zeros((len(order), cells + 1))
    colour, step = [], []
    for k, i in enumerate(order):
        n, p, rows = groups[i]
        abc[k] = [n[0], n[1], -n @ p]
        along = np.array([-n[1], n[0]])
        covered = np.zeros(cells)
        for t in np.sort(np.stack([a[rows] @ along, b[rows] @ along], axis=1), axis=1) + zero:
            covered[int(t[0] / find_kernels.CELL_PX) : int(t[1] / find_kernels.CELL_PX) + 1] = 1.0
        running[k, 1:] = find_kernels.CELL_PX * np.cumsum(covered)
        colour.append(np.average(dark[rows], axis=0, weights=length[rows]))
        step.append(np.average(contrast[rows], weights=length[rows]))
    return Lines(abc, running, zero, np.array(colour).reshape(-1, 3), np.array(step))


def quadrilaterals(
    lines: Lines, size_px: tuple[int, int], settings: FindSettings = FindSettings()
) -> tuple[FloatArray, FloatArray]:
    """Quadrilaterals with one dark surface inside.

    Returns
    -------
    corners_px : (n, 4, 2) float64
        Clockwise as seen, in small pixels.
    score : (n,) float64
        Covered share of the outline less the share by which its lines run on, and how bright its
        lines are beside the picture's brightest: those of a table are white.
    """
    if len(lines.abc) < 4:
        return np.zeros((0, 4, 2)), np.zeros(0)
    members, facts = find_kernels.quadrilaterals(
        lines.abc, lines.running, lines.zero, alike(lines.dark, settings.hue_share), size_px,
        0.02 * size_px[0], settings.most_quads,
    )  # fmt: skip
    corners = facts[:, 2:].reshape(-1, 4, 2).copy()
    u, v = corners[..., 0], corners[..., 1]
    area = 0.5 * np.sum(u * np.roll(v, -1, axis=1) - v * np.roll(u, -1, axis=1), axis=1)
    corners[area < 0] = corners[area < 0, ::-1]
    bright = np.median(lines.contrast[members.astype(np.int64)], axis=1)
    bright = np.minimum(bright / np.quantile(lines.contrast, 0.9), 1.0)
    score = facts[:, 0] - facts[:, 1] + settings.worth_of_white * bright
    best = np.argsort(-score, kind="stable")[: settings.fitted_quads]
    return corners[best], score[best]


def cameras_of_quad(
    corners_px: FloatArray, size_px: tuple[int, int], points_m: FloatArray = INNER_CORNERS_M,
    settings: FindSettings = FindSettings(),
) -> list[tuple[Camera, float]]:  # fmt: skip
    """Cameras without distortion that see a table's corners at the given places.

    Parameters
    ----------
    corners_px : (4, 2) float64
        Clockwise as seen; either pair of sides may be the long one.
    size_px : tuple of int
        Width and height of the picture.
    points_m : (4, 3) float64
        The same corners in the world frame, for one of the two readings.
    settings : FindSettings
        Range of focal lengths.

    Returns
    -------
    list of (Camera, float)
        Up to two cameras, the better first, with the rms miss of the corners [px].
    """
    out = []
    for turn in (0, 1):
        fitted = pose_of_corners(np.roll(corners_px, -turn, axis=0), size_px, points_m, settings)
        if fitted is not None:
            out.append(fitted)
    return sorted(out, key=lambda pair: pair[1])


def pose_of_corners(
    corners_px: FloatArray, size_px: tuple[int, int], points_m: FloatArray, settings: FindSettings
) -> tuple[Camera, float] | None:
    width, height = size_px
    centre = np.array([0.5 * (width - 1), 0.5 * (height - 1)])
    H = cv2.getPerspectiveTransform(
        points_m[:, :2].astype(np.float32), (corners_px - centre).astype(np.float32)
    )
    best: tuple[Camera, float] | None = None
    for share in np.geomspace(settings.min_f_share, settings.max_f_share, 9):
        fitted = find_kernels.fit_corners(
            H, share * width, points_m, corners_px - centre, settings.min_f_share * width,
            settings.max_f_share * width,
        )  # fmt: skip
        if not fitted[0] > 0.0:
            continue
        if best is None or fitted[3] < best[1] - 1e-6:
            f, R, t, miss = fitted
            camera = Camera(
                size_px=size_px, f_px=f, c_px=centre, k=np.zeros(2), R=R, t_m=t,
                cov=np.zeros((11, 11)),
            )  # fmt: skip
            best = (camera, miss)
    return best


def find_tables(
    planes: Planes, settings: FindSettings = FindSettings(), lines: Lines | None = None,
    three: bool = False,
) -> list[Found]:  # fmt: skip
    """Tables seen in a picture, the largest wholly visible one first.

    Parameters
    ----------
    planes : Planes
        Picture without people.
    settings : FindSettings
        Limits.
    lines : Lines, optional
        Its straight edges, if they are known.
    three : bool
        Whether to look for tables of which one side is hidden or outside the picture, too.

    Returns
    -------
    list of Found
        Different tables; empty where none explains the picture.
    """
    lines = straight_edges(planes, settings) if lines is None else lines
    starts = _starts_of_four(planes, lines, settings)
    found = _held_against(planes, starts, settings.tries, (6.0, 3.0, 2.0), settings)
    if three and not any(f.convincing for f in found):
        width = planes.luma.shape[1]
        starts = [
            camera
            for _, camera in cameras_of_three(
                planes.stacked, lines.abc, lines.running, lines.zero, lines.dark,
                alike(lines.dark, settings.hue_share),
                (settings.min_f_share * width, settings.max_f_share * width),
                settings.most_threes,
            )
        ]  # fmt: skip
        tries = settings.tries_of_three
        found += _held_against(planes, starts, tries, (10.0, 5.0, 3.0, 2.0), settings)
    strongest = max((f.light for f in found), default=0.0)
    return _distinct([f for f in found if f.light > settings.least_light * strongest])


def _starts_of_four(planes: Planes, lines: Lines, settings: FindSettings) -> list[Camera]:
    """Cameras that see a quadrilateral of lines as a table, the likeliest first."""
    height, width = planes.luma.shape
    corners, score = quadrilaterals(lines, (width, height), settings)
    starts: list[tuple[float, Camera]] = []
    for quad, worth in zip(corners, score, strict=True):
        for camera, miss in cameras_of_quad(quad, (width, height), settings=settings):
            if miss < settings.quad_miss_px and upright(camera.R, camera.t_m):
                size = np.sqrt(cv2.contourArea(quad.astype(np.float32))) / width
                starts.append((worth - miss / 20.0 + 0.3 * size, camera))
    return [camera for _, camera in sorted(starts, key=lambda s: -s[0])]


def _held_against(
    planes: Planes, starts: Sequence[Camera], tries: int, searches_px: Sequence[float],
    settings: FindSettings,
) -> list[Found]:  # fmt: skip
    """What the first so many different cameras come to in a picture."""
    found: list[Found] = []
    tried: list[FloatArray] = []
    for camera in starts:
        if len(tried) == tries:
            break
        seen = project(camera, CORNERS_M)
        if any(_same_place(seen, other, 5.0) for other in tried):
            continue
        if any(f.plain and _overlap(seen / planes.scale, f.corners_px) for f in found):
            continue
        tried.append(seen)
        table = hold_against(planes, camera, settings, searches_px)
        if table is not None:
            found.append(table)
    return found


def _same_place(one: FloatArray, other: FloatArray, within_px: float) -> bool:
    """True where two sets of corners agree up to the half turn of the table."""
    turned = np.roll(other, 2, axis=0)
    return bool(min(np.abs(one - other).max(), np.abs(one - turned).max()) < within_px)


def hold_against(
    planes: Planes, camera: Camera, settings: FindSettings = FindSettings(),
    searches_px: Sequence[float] = (6.0, 3.0, 2.0),
) -> Found | None:  # fmt: skip
    """Fit a start to a picture and judge what it explains; None where that is no table."""
    tone = Tone(sigma_px=settings.sigma_px)
    fitted = refit(planes, camera, searches_px, tone)
    if fitted is None or not _ordinary(fitted, settings):
        return None
    seen = evidence_of(planes.stacked, planes.singles, fitted, tone)
    verdict = judge(seen, settings.judge)
    if not verdict.table:
        return None
    full = scaled(fitted, 1.0 / planes.scale)
    corners = project(full, CORNERS_M)
    width, height = full.size_px
    whole = bool(((corners > 0) & (corners < [width - 1, height - 1])).all())
    return Found(
        full, verdict.outer, verdict.centre, verdict.net, verdict.convincing, seen.light,
        COARSE.spacing_px * verdict.score / planes.scale, whole, corners,
    )  # fmt: skip


def refit(
    planes: Planes, start: Camera, searches_px: Sequence[float], tone: Tone = _TONE
) -> Camera | None:
    """A camera fitted to the lines of a small picture around a start; None where it finds few.

    Parameters
    ----------
    planes : Planes
        Picture without people.
    start : Camera
        In its pixels.
    searches_px : sequence of float
        How far lines may lie from where they are thought to be, round by round [px].
    tone : Tone
        Tone curve and sharpness of the small picture.

    Returns
    -------
    Camera or None
        In pixels of the small picture.
    """
    camera = start
    for search_px in searches_px:
        cuts = cuts_of(camera, COARSE)
        if len(cuts) < 16:
            return None
        seen = [sight(p, cuts, tone, search_px, COARSE) for p in (planes.luma, *planes.singles)]
        if len(np.unique(np.concatenate([s.row for s in seen]))) < 0.25 * len(cuts):
            return None
        # all show one pose: the pictures are of one view
        try:
            camera = refine([camera], [joined(seen)], iterations=6).cameras[0]
        except np.linalg.LinAlgError:  # of so little, no camera follows
            return None
        if not 0.3 * start.f_px < camera.f_px < 3.0 * start.f_px:
            return None
    return camera


def explained_px(planes: Planes, camera: Camera) -> float:
    """Length of the table's lines that a small picture shows where a camera has them [px]."""
    cuts = cuts_of(camera, COARSE)
    seen = sight(planes.luma, cuts, Tone(), 2.0, COARSE)
    return COARSE.spacing_px * float(np.sum(seen.strip != NET))


def _ordinary(camera: Camera, settings: FindSettings) -> bool:
    """Whether a lens like this exists: a wrong table bends the lens to fit."""
    width, height = camera.size_px
    off = np.abs(camera.c_px - 0.5 * np.array([width - 1, height - 1]))
    return bool(
        off.max() < settings.max_centre_share * width
        and np.abs(camera.k).max() < settings.max_k
        and settings.min_f_share < camera.f_px / width < settings.max_f_share
    )


def _distinct(found: list[Found]) -> list[Found]:
    """One for each table: of those that overlap the one that explains most; largest first."""
    kept: list[Found] = []
    for table in sorted(found, key=lambda f: (not f.convincing, -f.weight_px)):
        if not any(_overlap(table.corners_px, other.corners_px) for other in kept):
            kept.append(table)
    if any(f.convincing for f in kept):
        kept = [f for f in kept if f.convincing]
    return sorted(kept, key=lambda f: (not f.convincing, not f.whole, -_area(f.corners_px)))


def _area(corners_px: FloatArray) -> float:
    return float(cv2.contourArea(corners_px.astype(np.float32)))


def _overlap(one: FloatArray, other: FloatArray) -> bool:
    common, _ = cv2.intersectConvexConvex(one.astype(np.float32), other.astype(np.float32))
    return common > 0.2 * min(_area(one), _area(other))


def scaled(camera: Camera, scale: float) -> Camera:
    """The same camera for a picture `scale` times as wide."""
    size = (round(camera.size_px[0] * scale), round(camera.size_px[1] * scale))
    return Camera(
        size_px=size, f_px=camera.f_px * scale, c_px=(camera.c_px + 0.5) * scale - 0.5,
        k=camera.k, R=camera.R, t_m=camera.t_m, cov=np.zeros((11, 11)),
    )  # fmt: skip
