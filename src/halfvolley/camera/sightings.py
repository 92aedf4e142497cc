"""Where the table's lines are seen in a picture: cuts across them, to a fraction of a pixel."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from halfvolley.camera import edge_kernels
from halfvolley.camera.projection import project
from halfvolley.camera.table import N_OUTER, NET, STRIPS, strip_points
from halfvolley.types import BoolArray, ByteImage, Camera, FloatArray, IntArray

ALL_STRIPS = tuple(range(len(STRIPS)))
GAMMAS = (1.0, 1.4, 1.8, 2.2, 2.6)
SIGMAS_PX = (0.4, 0.5, 0.6, 0.7, 0.85, 1.0, 1.25, 1.6, 2.1, 2.8)
BLACK, WHITE = 16.0, 235.0  # luma as coded; full range shifts both a little, which is harmless


@dataclass(frozen=True, slots=True)
class SightSettings:
    """How lines are cut and which cuts count."""

    spacing_px: float = 8.0  # between cuts; each averages its own stretch of the line
    min_share: float = 0.90  # of a cut's spread that the line's profile must explain
    min_share_net: float = 0.60  # the same for the net, whose upper side is lit otherwise
    contrast_range: float = 4.0  # a cut this much stronger or weaker than its line is another thing
    margin_px: float = 4.0  # cuts so near another strip are left out


@dataclass(frozen=True, slots=True)
class Tone:
    """How light became numbers in a picture, and how sharp it is."""

    gamma: float = 2.2  # light = luma ** gamma
    sigma_px: float = 0.7  # width of a blurred edge [px]


@dataclass(frozen=True, slots=True, eq=False)
class Cuts:
    """Places at which the model expects lines in a picture."""

    strip: IntArray  # (n,) index into STRIPS
    along: FloatArray  # (n,) 0 at the strip's start, 1 at its end
    uv_px: FloatArray  # (n, 2) middle of the strip
    normal: FloatArray  # (n, 2) unit, across the strip, inwards
    shift_px: FloatArray  # (n,) from the middle to that of the strip's outline, along the normal
    width_px: FloatArray  # (n,) of the outline, along the normal

    def take(self, rows: BoolArray | IntArray) -> "Cuts":
        """The chosen rows."""
        return Cuts(*(getattr(self, f.name)[rows] for f in fields(self)))

    def __len__(self) -> int:
        return len(self.strip)


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """Lines as seen in one picture, one row a cut."""

    strip: IntArray  # (n,) index into STRIPS
    along: FloatArray  # (n,) 0 at the strip's start, 1 at its end
    uv_px: FloatArray  # (n, 2) where the middle of the strip was seen
    normal: FloatArray  # (n, 2) unit, the only direction in which the sighting counts
    sd_px: FloatArray  # (n,) along the normal, from the cut itself
    contrast: FloatArray  # (n,) light of the line above the inside; 100 is white
    width_px: FloatArray  # (n,) of the line, along the normal
    row: IntArray  # (n,) row of the cuts it came from

    def take(self, rows: BoolArray | IntArray) -> "Sightings":
        """The chosen rows."""
        return Sightings(*(getattr(self, f.name)[rows] for f in fields(self)))

    def __len__(self) -> int:
        return len(self.strip)


def joined(parts: Sequence[Sightings]) -> Sightings:
    """Sightings of several pictures as if they were of one."""
    return Sightings(
        *(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Sightings))
    )


def light_table(tone: Tone) -> FloatArray:
    """(256,) light of each luma value; 100 is white."""
    share = (np.arange(256) - BLACK) / (WHITE - BLACK)
    light: FloatArray = 100.0 * np.clip(share, 0.0, 1.1) ** tone.gamma
    return light


def cuts_of(
    camera: Camera, settings: SightSettings = SightSettings(), strips: Sequence[int] = ALL_STRIPS
) -> Cuts:
    """Cuts across the model's lines at even steps in the picture; those inside the picture.

    Parameters
    ----------
    camera : Camera
        Where the table is thought to be.
    settings : SightSettings
        Spacing of the cuts.
    strips : sequence of int
        Which of `STRIPS`.

    Returns
    -------
    Cuts
        May be empty.
    """
    steps = [_even_steps(camera, k, settings.spacing_px) for k in strips]
    strip = np.repeat(np.array(strips, dtype=np.int64), [len(a) for a in steps])
    cuts = cuts_at(camera, strip, np.concatenate(steps) if steps else np.zeros(0))
    width, height = camera.size_px
    u, v = cuts.uv_px[:, 0], cuts.uv_px[:, 1]
    inside = (u > 2) & (u < width - 3) & (v > 2) & (v < height - 3)
    inside &= _clear_of_net(camera, cuts, settings.margin_px)
    return cuts.take(inside)


def _even_steps(camera: Camera, k: int, spacing_px: float) -> FloatArray:
    """Places along a strip (0 to 1) that are evenly spaced in the picture."""
    fine = np.linspace(0.004, 0.996, 60)
    uv = project(camera, strip_points(np.full(60, k), fine))
    seen = np.isfinite(uv).all(axis=1)
    if seen.sum() < 2:
        return np.zeros(0)
    fine, uv = fine[seen], uv[seen]
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(uv, axis=0).T))])
    n = int(min(max(length[-1] / spacing_px, 2), 4000))
    return np.interp((np.arange(n) + 0.5) * length[-1] / n, length, fine)


# the corners of each strip's cross-section, repeated to four
_SECTIONS = np.stack([np.resize(s.section_m, (4, 3)) for s in STRIPS])
_ALONG = np.stack([s.end_m - s.start_m for s in STRIPS])
_INWARD = np.stack([s.inward for s in STRIPS])


def cuts_at(camera: Camera, strip: IntArray, along: FloatArray) -> Cuts:
    """Cuts at given places of the strips, inside the picture or not.

    Parameters
    ----------
    camera : Camera
        Where the table is thought to be.
    strip : (n,) int64
        Index into STRIPS.
    along : (n,) float64
        0 at the strip's start, 1 at its end.

    Returns
    -------
    Cuts
        One row each; NaN where a place is behind the camera.
    """
    points = strip_points(strip, along)
    uv = project(camera, points)
    ahead = project(camera, points + 1e-4 * _ALONG[strip]) - uv
    ahead /= np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-12)[:, None]
    normal = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    inward = np.sum((project(camera, points + 1e-3 * _INWARD[strip]) - uv) * normal, axis=1)
    normal *= np.where(inward < 0.0, -1.0, 1.0)[:, None]
    corners = points[:, None, :] + _SECTIONS[strip]
    edges = project(camera, corners.reshape(-1, 3)).reshape(-1, 4, 2) - uv[:, None, :]
    across = np.einsum("nki,ni->nk", edges, normal)
    low, high = across.min(axis=1), across.max(axis=1)
    return Cuts(strip, along, uv, normal, 0.5 * (low + high), high - low)


def _clear_of_net(camera: Camera, cuts: Cuts, margin_px: float) -> BoolArray:
    """False for cuts across table lines that the net's band or posts may cover."""
    net = cuts.strip == NET
    wide = margin_px + (float(np.median(cuts.width_px[net])) if net.any() else 0.0)
    start, end = STRIPS[NET].start_m, STRIPS[NET].end_m
    foot = np.array([0.0, 0.0, -0.16])
    clear = np.ones(len(cuts), dtype=bool)
    for a, b in ((start, end), (start, start + foot), (end, end + foot)):
        a_px, b_px = project(camera, np.stack([a, b]))
        if not np.isfinite(a_px + b_px).all():
            continue
        along = b_px - a_px
        share = np.clip((cuts.uv_px - a_px) @ along / max(along @ along, 1e-9), 0.0, 1.0)
        gap = cuts.uv_px - (a_px + share[:, None] * along)
        clear &= net | (np.hypot(gap[:, 0], gap[:, 1]) > wide)
    return clear


def sight(
    luma: ByteImage, cuts: Cuts, tone: Tone, search_px: float,
    settings: SightSettings = SightSettings(),
) -> Sightings:  # fmt: skip
    """Lines seen near the given cuts.

    Parameters
    ----------
    luma : (h, w) uint8
        Picture as coded.
    cuts : Cuts
        Where to look.
    tone : Tone
        Tone curve and sharpness of the picture.
    search_px : float
        How far from the expected place a line may lie [px].
    settings : SightSettings
        Which cuts count.

    Returns
    -------
    Sightings
        May be empty.
    """
    found = np.full((len(cuts), 6), np.nan)
    net = cuts.strip == NET
    for rows, free in ((~net, False), (net, True)):
        if rows.any():
            # the band's upper side is lit otherwise than its face: a softer profile fits both
            soft = 0.25 * float(np.median(cuts.width_px[rows])) if free else 0.0
            found[rows] = edge_kernels.measure_cuts(
                luma, light_table(tone), cuts.uv_px[rows] + (cuts.shift_px * cuts.normal.T).T[rows],
                cuts.normal[rows], np.maximum(cuts.width_px[rows], 1.5 if free else 0.0), free,
                max(0.5 * settings.spacing_px - 1.0, 0.0), search_px, max(tone.sigma_px, soft),
            )  # fmt: skip
    a, b, c = found[:, 3], found[:, 4], found[:, 5]
    good = np.isfinite(found[:, 0])
    good &= found[:, 2] > np.where(net, settings.min_share_net, settings.min_share)
    with np.errstate(invalid="ignore"):
        good &= (b > -0.2 * c) & (c > 0.3) & (a > -5.0) & (found[:, 1] < 1.0)
    for k in ALL_STRIPS:
        rows = good & (cuts.strip == k)
        if rows.any():
            ratio = c[rows] / np.median(c[rows])
            good[rows] = (ratio < settings.contrast_range) & (ratio > 1 / settings.contrast_range)
    row = np.flatnonzero(good)
    return Sightings(
        strip=cuts.strip[row], along=cuts.along[row],
        uv_px=cuts.uv_px[row] + found[row, :1] * cuts.normal[row], normal=cuts.normal[row],
        sd_px=found[row, 1], contrast=c[row],
        width_px=np.maximum(cuts.width_px[row], np.where(net[row], 1.5, 0.0)), row=row,
    )  # fmt: skip


def measure_tone(luma: ByteImage, camera: Camera, spacing_px: float = 20.0) -> Tone:
    """Tone curve and sharpness that explain the lines best.

    The width of the lines is known, so a picture shows both: blur happens in light, and a wrong
    curve makes bright lines look wide.

    Parameters
    ----------
    luma : (h, w) uint8
        Picture as coded.
    camera : Camera
        Camera that fits it to about a pixel.
    spacing_px : float
        Between the cuts that are tried.

    Returns
    -------
    Tone
        One of a fixed grid; the default where too little is seen.
    """
    cuts = cuts_of(camera, SightSettings(spacing_px=spacing_px), range(N_OUTER))
    known: dict[tuple[int, int], float] = {}

    def miss(g: int, s: int) -> float:
        """Spread that a tone leaves unexplained, the mean over the lines."""
        if (g, s) not in known:
            tone = Tone(GAMMAS[g], SIGMAS_PX[s])
            found = edge_kernels.measure_cuts(
                luma, light_table(tone), cuts.uv_px, cuts.normal, cuts.width_px, False, 3.0, 1.5,
                tone.sigma_px,
            )  # fmt: skip
            left = 1.0 - np.where(np.isfinite(found[:, 0]), found[:, 2], 0.0)
            parts = [np.median(left[cuts.strip == k]) for k in np.unique(cuts.strip)]
            known[g, s] = float(np.mean(parts)) if parts else np.inf
        return known[g, s]

    g = GAMMAS.index(Tone().gamma)
    s = min(range(0, len(SIGMAS_PX), 2), key=lambda s: miss(g, s))
    for _ in range(2):
        around = range(max(s - 1, 0), min(s + 2, len(SIGMAS_PX)))
        s = min(around, key=lambda s: miss(g, s))
        g = min(range(len(GAMMAS)), key=lambda g: miss(g, s))
    return Tone(GAMMAS[g], SIGMAS_PX[s]) if miss(g, s) < 0.3 else Tone()


def strength(seen: Sightings, strip: int) -> float:
    """Light of one strip over that of the outer lines, each taken at its model width.

    About 1 on a table; several times that for the centre line where a painted line as wide as the
    others lies there; 0 where either is not seen.
    """
    # light times width: what a blurred line keeps, however thin it is
    outer, own = seen.strip < N_OUTER, seen.strip == strip
    if not outer.any() or not own.any():
        return 0.0
    light = seen.contrast * seen.width_px
    of_outer = np.median(light[outer]) / np.median(seen.width_px[outer])
    return float(np.median(light[own]) / np.median(seen.width_px[own]) / of_outer)
