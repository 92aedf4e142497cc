"""The camera of a clip from some of its pictures: find the table, refine, judge, put into words."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from halfvolley.camera.accuracy import table_error_mm
from halfvolley.camera.find import (
    FindSettings,
    Found,
    Planes,
    explained_px,
    find_tables,
    refit,
    scaled,
    small_picture,
)
from halfvolley.camera.hand import (
    CLICK_SD_PX,
    camera_of_corners,
    check_corners,
    check_order,
    quad_camera,
)
from halfvolley.camera.projection import project
from halfvolley.camera.refine import Clicks, Refined, RefineSettings, refine
from halfvolley.camera.sightings import (
    Sightings,
    SightSettings,
    Tone,
    cuts_of,
    measure_tone,
    sight,
)
from halfvolley.camera.table import CENTRE, CORNERS_M, HALF_LENGTH_M, N_OUTER, NET
from halfvolley.camera.views import views_of
from halfvolley.errors import BadInput, NoCamera
from halfvolley.types import Camera, FloatArray, Frame

MOST_VIEWS = 4  # between cuts, that are looked through for a table
MIRRORED_SHARE = 3.0  # of the tint, by which what a table mirrors may change its hue
NEXT_STEP = (
    'give the four corners: --corners "u,v u,v u,v u,v" in the order (-,-) (-,+) (+,+) (+,-)'
)


@dataclass(frozen=True, slots=True)
class CalibrateSettings:
    """How pictures are chosen, and when a view is called weak."""

    find: FindSettings = field(default_factory=FindSettings)
    sight: SightSettings = field(default_factory=SightSettings)
    refine: RefineSettings = field(default_factory=RefineSettings)
    refined_pictures: int = 5  # more tell nothing new: a still scene repeats its own errors
    click_sd_px: float = 5.0  # at 1920 wide: of a corner given by hand
    hand_reach_px: float = 25.0  # at 1920 wide: how far off corners given by hand may be
    least_net: float = 0.35  # share of the net that must be seen before it counts
    least_witness: float = 0.25  # of centre line or net: less of both is a poster, not a table
    low_view_deg: float = 8.0  # seen flatter than this, depth on the table is poorly known
    least_outer: float = 0.5  # of the outer lines within the picture, on average
    least_ends: float = 0.06  # points of an end line for each of a side line; seen low, 0.15
    most_error_mm: float = 50.0  # a table known less well than this was not found
    most_miss_mm: float = 20.0  # lines that miss by more are not those of a table; usual: 0.2-4
    most_miss_px: float = 0.5  # the same in the picture, where a table may be small; usual: < 0.2
    end_view_deg: float = 20.0  # the nearer end is A where the table points at the camera


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """The camera at one picture of a clip, and how well it is known."""

    camera: Camera
    t_s: float  # the picture's time [s]; that of the first unless its view shows no table
    residual_px: float  # rms of the line points about the model
    residual_mm: float  # the same on the table
    table_error_mm: float  # median predicted sd of a place on the table
    points: tuple[int, ...]  # line points used: four outer lines, centre line, net
    tables: int  # different tables that fit the pictures; 0 where corners were given
    gamma: float  # tone curve of the pictures
    sigma_px: float  # their blur [px]
    source: str  # "automatic" or "corners"
    warnings: tuple[str, ...]


def calibrate(
    pictures: Sequence[Frame],
    *,
    corners_px: FloatArray | Sequence[Sequence[float]] | None = None,
    end_a: str | None = None,
    table: int = 1,
    settings: CalibrateSettings = CalibrateSettings(),
) -> Calibration:
    """Find the camera from the table.

    Parameters
    ----------
    pictures : sequence of Frame
        Some pictures spread over the clip, the first first; a dozen is plenty, one will do.
    corners_px : (4, 2) array_like, optional
        Outer corners of the playing surface at (x, y) = (-,-), (-,+), (+,+), (+,-), within about
        10 px; they may lie outside the picture. Which end is A is then said by their order.
    end_a : str, optional
        Which end in the picture is A: "left", "right", "near" or "far". By default the left one,
        or the near one where the table's long axis is within 20 degrees of the viewing direction.
    table : int
        Which table where several fit: 1 is the largest wholly visible one.
    settings : CalibrateSettings
        Limits.

    Returns
    -------
    Calibration
        The camera at the first picture (or, with a warning, at the first that shows a table).

    Raises
    ------
    BadInput
        If corners, `end_a` or `table` cannot be used.
    NoCamera
        If no table is found.
    """
    if not pictures:
        raise NoCamera("the clip gave no picture to look for the table in")
    if end_a not in (None, "left", "right", "near", "far"):
        raise BadInput(f"end_a must be left, right, near or far, got {end_a!r}")
    if table < 1:
        raise BadInput(f"table must be 1 or more, got {table}")
    height, width = pictures[0].luma.shape
    views = views_of(pictures)
    clicks = None
    if corners_px is not None:
        corners = check_corners(corners_px, (width, height))
        start = _start_by_hand(views[0], corners, settings)
        warnings: list[str] = []
        chosen, view, n_tables = start, views[0], 0
        clicks = Clicks(corners, settings.click_sd_px * max(1.0, width / 1920.0))
    else:
        view, tables = _first_view_with_table(views, settings)
        chosen, warnings = _choose(tables, table)
        n_tables = len(tables)
        if view is not views[0]:
            warnings.append(
                f"the first picture shows no table; the camera is that at {view[0].t_s:.2f} s"
            )
        chosen = _turned(chosen, end_a, settings)
    done = refine_on(view, chosen, settings, clicks)
    if done is None or (clicks is not None and np.mean(done[2][:N_OUTER]) < 0.2):
        if corners_px is None:
            raise NoCamera(f"the table's lines could not be followed; {NEXT_STEP}")
        return _from_corners_alone(view[0], chosen, warnings)
    refined, tone, share = done
    camera = refined.cameras[0]
    error_mm = float(np.median(table_error_mm(camera)))
    if corners_px is None:
        wrong = no_table(refined, share, error_mm, settings)
        if wrong:
            raise NoCamera(f"what looks most like a table {wrong}; {NEXT_STEP}")
    warnings += _weaknesses(camera, refined, share, settings)
    return Calibration(
        camera=camera, t_s=view[0].t_s, residual_px=refined.residual_px,
        residual_mm=refined.residual_mm, table_error_mm=error_mm, points=refined.used,
        tables=n_tables, gamma=tone.gamma, sigma_px=tone.sigma_px,
        source="automatic" if corners_px is None else "corners", warnings=tuple(warnings),
    )  # fmt: skip


def refine_on(
    view: Sequence[Frame],
    start: Camera,
    settings: CalibrateSettings = CalibrateSettings(),
    clicks: Clicks | None = None,
) -> tuple[Refined, Tone, FloatArray] | None:
    """Refine a start on pictures of one view.

    Parameters
    ----------
    view : sequence of Frame
        Pictures of one view; the camera is that of the first.
    start : Camera
        Good to a few pixels.
    settings : CalibrateSettings
        Limits.
    clicks : Clicks, optional
        Corners given by hand.

    Returns
    -------
    tuple of Refined, Tone and (6,) float64, or None
        The fit, the tone of the pictures and the share of each strip that was seen in the picture
        that shows most of it; None where too little is seen.
    """
    step = max(1, -(-len(view) // settings.refined_pictures))
    frames = list(view[::step])
    cameras = [start] * len(frames)
    scale = max(1.0, start.size_px[0] / 1920.0)
    tone = measure_tone(frames[0].luma, start)
    share = np.zeros(NET + 1)
    fitted = None
    for search_px in (4.0 * scale, 2.0 * scale, 1.5 * scale):
        seen, asked = [], []
        for frame, camera in zip(frames, cameras, strict=True):
            cuts = cuts_of(camera, settings.sight)
            one = sight(frame.luma, cuts, tone, search_px, settings.sight)
            n = np.bincount(cuts.strip, minlength=NET + 1)
            if np.sum(one.strip == NET) < settings.least_net * n[NET]:
                # a few cuts of whatever lies there are no net, and would pull far
                one = one.take(one.strip != NET)
            seen.append(one)
            asked.append(np.maximum(n, 1))
        if sum(_table_points(s) for s in seen) < 24:
            return None
        fitted = refine(cameras, seen, settings.refine, clicks=clicks)
        cameras = list(fitted.cameras)
        tone = measure_tone(frames[0].luma, cameras[0])
    assert fitted is not None
    for one, inlier, n in zip(seen, fitted.inlier, asked, strict=True):
        share = np.maximum(share, np.bincount(one.strip[inlier], minlength=NET + 1) / n)
    return fitted, tone, share


def _table_points(seen: Sightings) -> int:
    return int(np.sum(seen.strip < NET))


def _first_view_with_table(
    views: list[list[Frame]], settings: CalibrateSettings
) -> tuple[list[Frame], list[Found]]:
    mirroring = replace(settings.find, hue_share=MIRRORED_SHARE)
    blurred = replace(settings.find, sigma_px=1.6)
    for view in views[:MOST_VIEWS]:
        tables: list[Found] = []
        # harder and harder: people who never leave a line, a table that mirrors something
        # coloured, a picture out of focus
        ways = ((settings.find, False), (settings.find, True), (mirroring, False), (blurred, False))
        for find, alone in ways:
            if any(t.convincing for t in tables) or (alone and len(view) == 1):
                continue
            more = find_tables(small_picture(view, find, alone), find, three=True)
            tables = more if any(t.convincing for t in more) or not tables else tables
        if tables:
            return view, tables
    n = sum(len(v) for v in views[:MOST_VIEWS])
    what = "the picture" if n == 1 else f"{n} pictures of the clip"
    raise NoCamera(f"no table was found in {what}; {NEXT_STEP}")


def _choose(tables: list[Found], number: int) -> tuple[Camera, list[str]]:
    if number > len(tables):
        n = len(tables)
        raise BadInput(
            f"table {number} was asked for, but {n} {'table fits' if n == 1 else 'tables fit'} the "
            f"picture; choose 1{'' if n == 1 else f' to {n}'} or {NEXT_STEP}"
        )
    warnings = []
    if len(tables) > 1:
        u, v = tables[number - 1].corners_px.mean(axis=0)
        which = "the largest wholly visible one" if number == 1 else f"number {number}"
        warnings.append(
            f"{len(tables)} tables fit the picture; {which} is taken, around pixel "
            f"({u:.0f}, {v:.0f}); --table or corners choose another"
        )
    return tables[number - 1].camera, warnings


def _turned(camera: Camera, end_a: str | None, settings: CalibrateSettings) -> Camera:
    """The same camera with end A where it was asked for, by a half turn of the world."""
    ends = np.array([[-HALF_LENGTH_M, 0.0, 0.0], [HALF_LENGTH_M, 0.0, 0.0]])
    u = project(camera, ends)[:, 0]
    depth = ends @ camera.R[2]
    if end_a is None:
        x, y = camera.R[2, :2]
        along = np.degrees(np.arctan2(abs(y), abs(x))) < settings.end_view_deg
        end_a = "near" if along else "left"
    first = {
        "left": u[0] < u[1], "right": u[0] > u[1],
        "near": depth[0] < depth[1], "far": depth[0] > depth[1],
    }[end_a]  # fmt: skip
    return camera if first else replace(camera, R=camera.R * np.array([-1.0, -1.0, 1.0]))


def _start_by_hand(view: list[Frame], corners: FloatArray, settings: CalibrateSettings) -> Camera:
    """A start from corners given by hand: the table found near them, else what they say."""
    height, width = view[0].luma.shape
    planes = small_picture(view, settings.find)
    reach = settings.hand_reach_px * max(width / 1920.0, 0.6)
    by_hand = camera_of_corners(corners, (width, height))
    near = [
        (float(np.abs(np.roll(t.corners_px, turn, axis=0) - corners).max()), turn, t)
        for t in find_tables(planes, settings.find)
        for turn in range(4)
    ]
    if near:
        off, turn, found = min(near, key=lambda n: n[0])
        if off < reach:
            check_order(turn, corners)
            half = np.array([-1.0, -1.0, 1.0])
            return found.camera if turn == 0 else replace(found.camera, R=found.camera.R * half)
    fitted = _fit_near(planes, by_hand, reach)
    # the same corners read as if they began with a long side: does that explain far more?
    other = quad_camera(np.roll(corners, -1, axis=0), (width, height))
    if other is not None and fitted[1] < 0.5 * _fit_near(planes, other, reach)[1]:
        check_order(1, corners)
    return fitted[0]


def _fit_near(planes: Planes, start: Camera, reach_px: float) -> tuple[Camera, float]:
    """A camera whose lines are found around a rough start, and how much of them [px]."""
    reach = reach_px * planes.scale
    fitted = refit(planes, scaled(start, planes.scale), (0.6 * reach, 0.3 * reach, 3.0, 2.0))
    if fitted is None:
        return start, 0.0
    camera = scaled(fitted, 1.0 / planes.scale)
    moved = np.abs(project(camera, CORNERS_M) - project(start, CORNERS_M)).max()
    return (camera, explained_px(planes, fitted)) if moved < reach_px else (start, 0.0)


def _from_corners_alone(picture: Frame, camera: Camera, warnings: list[str]) -> Calibration:
    """Four corners and nothing else: known as well as a hand clicks."""
    warnings.append(
        "no lines were found near the given corners; the camera rests on these four points alone, "
        f"taken to be good to {CLICK_SD_PX:.0f} px at best"
    )
    error_mm = float(np.median(table_error_mm(camera)))
    return Calibration(
        camera=camera, t_s=picture.t_s, residual_px=CLICK_SD_PX, residual_mm=error_mm,
        table_error_mm=error_mm, points=(0,) * (NET + 1), tables=0,
        gamma=Tone().gamma, sigma_px=Tone().sigma_px, source="corners", warnings=tuple(warnings),
    )  # fmt: skip


def no_table(
    refined: Refined, share: FloatArray, error_mm: float, settings: CalibrateSettings
) -> str:
    """Why what was found by itself is no table, in words; empty where it can be one.

    `share` (6,) of each strip that was seen, `error_mm` of a place on the table.
    """
    sides, ends = refined.used[:2], refined.used[2:N_OUTER]
    if max(share[CENTRE], share[NET]) < settings.least_witness:
        return "has neither centre line nor net"
    if np.mean(share[:N_OUTER]) < settings.least_outer:
        return "shows too little of its outer lines"
    if max(ends) < settings.least_ends * min(sides):
        return "shows hardly anything of its end lines"
    if error_mm > settings.most_error_mm:
        return f"is known to {error_mm:.0f} mm only: it is cut off, or no table"
    off_mm, off_px = refined.residual_mm, refined.residual_px
    if off_mm > settings.most_miss_mm and off_px > settings.most_miss_px:
        return f"has lines {off_mm:.0f} mm off those of a table: it is cut off, or no table"
    return ""


def _weaknesses(
    camera: Camera, refined: Refined, share: FloatArray, settings: CalibrateSettings
) -> list[str]:
    """What makes this view weak, in words."""
    out = []
    centre = camera.centre_m
    elevation = np.degrees(np.arctan2(centre[2], np.hypot(centre[0], centre[1])))
    error = table_error_mm(camera)
    width, height = camera.size_px
    corners = project(camera, CORNERS_M)
    outside = ~((corners > 0) & (corners < [width - 1, height - 1])).all(axis=1)
    if elevation < settings.low_view_deg:
        out.append(
            f"the camera looks only {elevation:.0f} degrees down on the table: depth is poorly "
            "known; put it higher"
        )
    if outside.any():
        n = int(outside.sum())
        out.append(
            f"the table is cut off: {n} of its 4 corners {'lies' if n == 1 else 'lie'} outside "
            "the picture"
        )
    missing = [
        name for k, name in enumerate(("one side line", "the other side line", "one end line",
                                       "the other end line")) if share[k] < 0.1
    ]  # fmt: skip
    if missing:
        out.append(f"{' and '.join(missing)} could not be seen: hidden, or outside the picture")
    if share[CENTRE] < 0.2:
        out.append("the centre line could not be seen; check the drawn model against the picture")
    if share[NET] < 0.2:
        out.append(
            "the net is not seen where it should be; check the drawn model against the picture"
        )
    if sum(refined.used[:N_OUTER]) < 60:
        out.append(f"only {sum(refined.used[:N_OUTER])} points of the outer lines could be used")
    if float(np.sqrt(camera.cov[0, 0])) > 0.05 * camera.f_px:
        out.append(
            f"the focal length is known only to {100 * np.sqrt(camera.cov[0, 0]) / camera.f_px:.0f}"
            " %: heights and distances suffer; choose a view with more perspective"
        )
    if np.median(error) > 10.0:
        out.append(f"places on the table are known only to {np.median(error):.0f} mm")
    if refined.residual_px > 0.5 * max(1.0, width / 1920.0):
        out.append(
            f"the lines miss the model by {refined.residual_px:.1f} px: the table is not flat or "
            "not of regular size, or this is not the table; check the drawn model"
        )
    return out
