"""What of a table a camera explains in a picture: lines seen, hidden and missing, its surface."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfvolley.camera.projection import project
from halfvolley.camera.sightings import (
    Cuts,
    Sightings,
    SightSettings,
    Tone,
    cuts_at,
    cuts_of,
    joined,
    sight,
    strength,
)
from halfvolley.camera.table import CENTRE, N_OUTER, NET, STRIPS, strip_points
from halfvolley.camera.three_sides import INSIDE_M
from halfvolley.types import BoolArray, ByteImage, Camera, FloatArray

COARSE = SightSettings(spacing_px=10.0, min_share=0.85, min_share_net=0.8)
BESIDE_M = 0.06  # inside of a line, where the surface must be seen if nothing hides it
OUTSIDE_M = 0.08  # beyond the edge: apron, floor or wall
PAINT_RANGE = 3.5  # light of an outer line over that of most: lamps are uneven, paint is not
BEYOND = (0.04, 0.4)  # beyond an end, of the length: there the lines of a table have ended
LUMA_APART, LUMA_SHARE = 12.0, 0.45  # one surface under uneven light
TINT_APART, TINT_SHARE = 6.0, 0.45


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What a picture says for and against a table."""

    seen: FloatArray  # (6,) share of each line's cuts at which it is seen; NaN: none in the picture
    visible: FloatArray  # (6,) the same of those cuts that nothing hides; NaN: all hidden
    cuts: FloatArray  # (6,) cuts in the picture
    free: FloatArray  # (6,) those of them that nothing hides
    centre_strength: float  # light of the centre line over that of the outer ones
    net_strength: float
    surface: float  # share of places on the table with its colour
    apart: float  # share of the places beyond its edges, that are seen, with another colour
    beyond: float  # share seen of its long lines where they would go on, at the end that shows more
    light: float  # of outer lines above the inside; 100 is white
    hits: float  # cuts seen, of all lines


def evidence_of(
    planes: ByteImage, singles: Sequence[ByteImage], camera: Camera, tone: Tone
) -> Evidence:
    """Hold a camera against a picture.

    Parameters
    ----------
    planes : (3, h, w) uint8
        Luma, cb, cr of the picture without people.
    singles : sequence of (h, w) uint8
        Luma of some pictures with their people: a line seen in any of them is seen.
    camera : Camera
        In their pixels.
    tone : Tone
        Of the pictures.

    Returns
    -------
    Evidence
        Of the lines in the picture.
    """
    cuts = cuts_of(camera, COARSE)
    seen = joined([sight(p, cuts, tone, 2.0, COARSE) for p in (planes[0], *singles)])
    off = np.abs(np.sum((seen.uv_px - cuts.uv_px[seen.row]) * seen.normal, axis=1))
    seen = seen.take(off < np.where(seen.strip == NET, 2.0, 1.0))
    # a line that people cross shows in some pictures only: each cut where it is strongest
    seen = seen.take(np.argsort(-seen.contrast, kind="stable"))
    seen = seen.take(np.unique(seen.row, return_index=True)[1])
    seen = seen.take(_one_paint(seen))
    hit = np.zeros(len(cuts), dtype=bool)
    hit[seen.row] = True
    bare, surface, apart = _surface(planes, camera, cuts, hit)
    free = hit | bare | (cuts.strip == NET)
    outer = seen.strip < N_OUTER
    light = float(np.median(seen.contrast[outer])) if outer.any() else 0.0
    return Evidence(
        seen=_shares(hit, cuts, np.ones(len(cuts), dtype=bool)), visible=_shares(hit, cuts, free),
        cuts=np.bincount(cuts.strip, minlength=NET + 1).astype(np.float64),
        free=np.bincount(cuts.strip[free], minlength=NET + 1).astype(np.float64),
        centre_strength=strength(seen, CENTRE), net_strength=strength(seen, NET), surface=surface,
        apart=apart, beyond=_beyond(planes[0], camera, tone, light), light=light,
        hits=float(hit.sum()),
    )  # fmt: skip


def _one_paint(seen: Sightings) -> BoolArray:
    """False for outer lines far darker or brighter than most: all four are of one paint."""
    keep = np.ones(len(seen), dtype=bool)
    lines = [seen.strip == k for k in range(N_OUTER)]
    lights = np.array([np.median(seen.contrast[r]) if r.any() else np.nan for r in lines])
    if np.isfinite(lights).sum() < 3:
        return keep
    ratio = lights / np.nanmedian(lights)
    for rows, own in zip(lines, ratio, strict=True):
        if not 1.0 / PAINT_RANGE < own < PAINT_RANGE:
            keep[rows] = False
    return keep


def _beyond(luma: ByteImage, camera: Camera, tone: Tone, light: float) -> float:
    """Share seen of the long lines where they would go on beyond an end, the larger of two ends.

    Half a table with the net for an end looks like a table, but its lines go on. Two of the three,
    sides and centre line, must: the second largest share counts.
    """
    height, width = luma.shape
    steps = np.linspace(*BEYOND, 12)
    shares = [0.0]
    for along in (-steps, 1.0 + steps):
        parts = []
        for k in (0, 1, CENTRE):
            cuts = cuts_at(camera, np.full(len(steps), k), along)
            u, v = cuts.uv_px.T
            inside: BoolArray = (u > 3) & (u < width - 4) & (v > 3) & (v < height - 4)
            cuts = cuts.take(inside)
            if len(cuts) < len(steps) // 2:
                parts.append(0.0)
                continue
            seen = sight(luma, cuts, tone, 2.0, COARSE)
            white = np.abs(np.log(np.maximum(seen.contrast, 1e-3) / max(light, 1e-3)))
            off = np.abs(np.sum((seen.uv_px - cuts.uv_px[seen.row]) * seen.normal, axis=1))
            good = (off < 1.5) & ((white < np.log(PAINT_RANGE)) | (k == CENTRE))
            parts.append(float(np.sum(good) / len(cuts)))
        shares.append(sorted(parts)[1])
    return max(shares)


def _shares(hit: BoolArray, cuts: Cuts, counted: BoolArray) -> FloatArray:
    """(6,) share of each line's counted cuts that are hit; NaN where there is none."""
    asked = np.bincount(cuts.strip[counted], minlength=NET + 1)
    got = np.bincount(cuts.strip[counted & hit], minlength=NET + 1)
    return np.where(asked > 0, got / np.maximum(asked, 1), np.nan)


def _colours(planes: ByteImage, uv_px: FloatArray) -> FloatArray:
    """(n, 3) luma, cb - 128, cr - 128 at places; NaN outside the picture."""
    height, width = planes.shape[1:]
    at = np.where(np.isfinite(uv_px), uv_px, -1.0)
    inside = ((at >= 0.0) & (at <= [width - 1, height - 1])).all(axis=1)
    u, v = np.clip(np.round(at), 0, [width - 1, height - 1]).astype(np.int64).T
    out = planes[:, v, u].T.astype(np.float64) - [0.0, 128.0, 128.0]
    out[~inside] = np.nan
    return out


def _one_surface(colours: FloatArray, other: FloatArray) -> BoolArray:
    """Which colours (n, 3) can be those of a surface, (3,) or (n, 3), under uneven light."""
    level = np.maximum(np.minimum(colours[:, 0], other[..., 0]) - 16.0, 0.0)
    tint = np.hypot(other[..., 1], other[..., 2])
    with np.errstate(invalid="ignore"):
        close: BoolArray = np.abs(colours[:, 0] - other[..., 0]) < LUMA_APART + LUMA_SHARE * level
        close &= (
            np.hypot(colours[:, 1] - other[..., 1], colours[:, 2] - other[..., 2])
            < TINT_APART + TINT_SHARE * tint
        )
    return close


def _surface(
    planes: ByteImage, camera: Camera, cuts: Cuts, hit: BoolArray
) -> tuple[BoolArray, float, float]:
    """At which cuts the bare surface is seen; how much of it is; how much of its rim differs."""
    on_table = cuts.strip != NET
    points = strip_points(cuts.strip, cuts.along)
    inward = np.stack([s.inward for s in STRIPS])[cuts.strip]
    uv = project(camera, points + BESIDE_M * inward)
    # never so near that the line's own blur is taken for the surface
    off = np.sum((uv - cuts.uv_px) * cuts.normal, axis=1)
    least = 0.5 * cuts.width_px + 3.0
    uv = uv + (np.maximum(least - off, 0.0) * cuts.normal.T).T
    beside = _colours(planes, uv)
    witness = on_table & (cuts.strip < N_OUTER) & hit & np.isfinite(beside[:, 0])
    if witness.sum() < 3:
        return np.zeros(len(cuts), dtype=bool), 0.0, 0.0
    # light falls off along the table: each place is compared with the nearest one where the line
    # is seen, and all with the median
    gap = np.hypot(*(uv[:, None, :] - uv[witness][None]).transpose(2, 0, 1))
    near = beside[witness][np.argmin(gap, axis=1)]
    middle = np.median(beside[witness], axis=0)
    bare = on_table & _one_surface(beside, near) & _one_surface(beside, middle)
    inside = _colours(planes, project(camera, INSIDE_M))
    inside = inside[np.isfinite(inside[:, 0])]
    share = float(_one_surface(inside, middle).mean()) if len(inside) else 0.0
    out = project(camera, points - OUTSIDE_M * inward)
    beyond = out - (np.maximum(least - np.sum((cuts.uv_px - out) * cuts.normal, axis=1), 0.0)
                    * cuts.normal.T).T  # fmt: skip
    rim = _colours(planes, beyond)
    rows = witness & np.isfinite(rim[:, 0])
    apart = float(np.mean(~_one_surface(rim[rows], beside[rows]))) if rows.any() else 0.0
    return bare, share, apart


@dataclass(frozen=True, slots=True)
class JudgeSettings:
    """When evidence makes a table."""

    fewest_hits: int = 16  # cuts of the outer lines that are seen: a table is no speck
    shown: float = 0.25  # of a line's cuts: then it is seen, and not hidden
    least_visible: float = 0.45  # of a line where nothing hides it: less contradicts a table
    least_outer: float = 0.45  # of the outer lines in the picture, the mean over the lines
    sure_outer: float = 0.6  # the same of a table that leaves no doubt
    centre_strength: tuple[float, float] = (0.2, 3.5)  # painted as wide as the others it has 6
    net_strength: tuple[float, float] = (0.06, 4.0)  # seen along its plane a net is thin
    some: float = 0.3  # of centre line and of net, where both witness
    much: float = 0.5  # of one of them, where a line or the other is missing
    most_beyond: float = 0.4  # of two of its long lines where they would go on: a table's end
    most: float = 0.7  # of the centre line where there is no net, or one in the table's colour
    bare_centre: float = 8.0  # cuts of bare surface where there must be a centre line
    least_surface: float = 0.35  # of the table with its colour
    least_apart: float = 0.25  # of what lies beyond its edges with another colour


@dataclass(frozen=True, slots=True)
class Verdict:
    """What evidence comes to."""

    table: bool  # it can be one
    convincing: bool  # it leaves no doubt
    outer: float  # share of the outer lines, the mean over those in the picture
    centre: float  # share of the centre line, 0 where what is seen is none
    net: float  # share of the net, 0 where what is seen is none
    score: float  # the larger, the better explained


def judge(seen: Evidence, settings: JudgeSettings = JudgeSettings()) -> Verdict:
    """Whether evidence makes a table.

    Parameters
    ----------
    seen : Evidence
        Of one camera.
    settings : JudgeSettings
        Limits.

    Returns
    -------
    Verdict
        With the shares it rests on.

    Notes
    -----
    Each outer line counts the same, however short it looks: the far end fixes the length as much
    as the sides do. What is hidden speaks neither for nor against; a surface that lies bare where
    a line should be speaks against. Centre line and net witness together; one of them does where
    the other is hidden and all four outer lines are shown.
    """
    own, lines = seen.seen[:N_OUTER], seen.cuts[:N_OUTER] > 0
    shares = np.nan_to_num(seen.seen)
    outer = float(own[lines].mean()) if lines.any() else 0.0
    centre = _witness(shares[CENTRE], seen.centre_strength, settings.centre_strength)
    net = _witness(shares[NET], seen.net_strength, settings.net_strength)
    contradicted = bool((seen.visible[:N_OUTER] < settings.least_visible).any())
    contradicted = contradicted or seen.beyond > settings.most_beyond
    shown = int(np.sum(own >= settings.shown))
    coloured = seen.surface >= settings.least_surface
    apart = seen.apart >= settings.least_apart
    both = min(centre, net) >= settings.some
    hidden_centre = net >= settings.much and seen.free[CENTRE] < settings.bare_centre
    no_net = centre >= settings.most and outer >= settings.most
    witnessed = both or ((hidden_centre or no_net) and shown == N_OUTER and coloured and apart)
    if shown < N_OUTER:
        witnessed = both and max(centre, net) >= settings.much and coloured and apart
    enough = float(np.sum((seen.cuts * shares)[:N_OUTER])) >= settings.fewest_hits
    table = (
        enough and outer >= settings.least_outer and shown >= N_OUTER - 1 and not contradicted
        and witnessed
    )  # fmt: skip
    fully = min(centre, net) >= settings.sure_outer  # people on the table hide its colour only
    sure = (both and (coloured or fully)) or (hidden_centre and apart and coloured)
    sure = sure and shown == N_OUTER
    sure = sure and outer >= settings.sure_outer
    score = seen.hits * (0.5 + 0.5 * seen.surface)
    return Verdict(table, table and sure, outer, centre, net, score)


def _witness(share: float, strength: float, limits: tuple[float, float]) -> float:
    return float(share) if limits[0] < strength < limits[1] else 0.0
