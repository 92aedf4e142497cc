"""How far the numbers can be trusted: camera, frames, errors, and what was not measured."""

from collections.abc import Mapping
from functools import partial

import numpy as np

from halfvolley.match.records import Estimate
from halfvolley.report.checks import Checks
from halfvolley.report.court import ellipse_95
from halfvolley.report.document import Block, Drawing, Grid, Items, Photo, Section, Words
from halfvolley.report.figures.errors import ErrorRow, errors_figure
from halfvolley.report.material import Material
from halfvolley.report.words import DASH
from halfvolley.session.read import ContactRow

Z95 = 1.96


def quality_section(m: Material, photos: Mapping[str, Photo], camera_mm: Mapping[str, float]
                    ) -> Section:  # fmt: skip
    """What the numbers rest on.

    Parameters
    ----------
    m : Material
        The session.
    photos : mapping of str to Photo
        First frame of a clip with the table's model, where it could be drawn.
    camera_mm : mapping of str to float
        Typical error of places from the camera alone [mm], where it is known.
    """
    blocks: list[Block] = [*_errors_drawing(m), _cameras(m, camera_mm)]
    blocks += [photos[c.clip] for c in m.records.summary.clips if c.clip in photos]
    blocks.append(_measured(m))
    not_known = _not_known(m)
    if not_known:
        blocks.append(Items(m.say("What was not measured, and why"), tuple(not_known)))
    for number, (name, check) in enumerate(m.checks.items(), start=1):
        blocks += _check(m, number, name, check)
    return Section("quality", m.say("Quality"), _title(m), tuple(blocks))


def _errors_drawing(m: Material) -> list[Block]:
    say, rows, bounces = m.say, _error_rows(m), _bounces(m)
    if not rows:
        return []
    title = say("How well things are known")
    if bounces:
        title = say("Half of the bounces are known to ±{mm} mm",
                    mm=say.number(float(np.median(rows[0].values))))  # fmt: skip
    note = say("Half widths of the 95 % intervals: thick line the middle half of them, thin "
               "line nine tenths, mark the median.")  # fmt: skip
    return [Drawing("errors", title, note, partial(errors_figure, rows, say))]


def _check(m: Material, number: int, name: str, check: Checks) -> list[Block]:
    """A check from outside: a ball on marks, or a dropped one."""
    title = f"{name}: {check.title}"
    blocks: list[Block] = [Items(title, tuple(Words(text, lang="en") for text in check.words))]
    if check.draw is not None:
        note = m.say("Each bounce of the dropped ball; grey: the fitted line.")
        blocks.append(Drawing(f"check-{number}", title, note, check.draw))
    if check.rows:
        blocks.append(Grid(title, check.heads, check.units, tuple(map(tuple, check.rows))))
    return blocks


def _title(m: Material) -> str:
    frames = sum(s.flight_frames for s in m.seen.values())
    seen = sum(s.seen_frames for s in m.seen.values())
    if frames:
        return m.say("The ball was seen in {percent} % of the frames of its flights",
                     percent=round(100 * seen / frames))  # fmt: skip
    return m.say("What the numbers rest on")


def _bounces(m: Material) -> list[ContactRow]:
    return [b for clip in m.records.summary.clips for b in clip.bounces]


def _error_rows(m: Material) -> list[ErrorRow]:
    say = m.say
    contacts = [c for clip in m.records.summary.clips for c in clip.contacts]
    strokes = m.records.strokes
    rows = [
        ErrorRow(say("place of a bounce"), "mm",
                 tuple(1e3 * ellipse_95(b)[0] for b in _bounces(m)), 0),
        ErrorRow(say("time of a contact"), "ms", tuple(1e3 * Z95 * c.t_sd_s for c in contacts), 1),
        ErrorRow(say("speed of a stroke"), "m/s",
                 _half_widths([s.speed_mps for s in strokes], 1.0), 2),
        ErrorRow(say("topspin of a stroke"), say("rev/s"),
                 _half_widths([s.topspin_revps for s in strokes], 1.0), 0),
        ErrorRow(say("height over the net"), "mm",
                 _half_widths([s.clearance_m for s in strokes], 1e3), 0),
    ]  # fmt: skip
    return [row for row in rows if row.values]


def _half_widths(values: list[Estimate | None], scale: float) -> tuple[float, ...]:
    return tuple(scale * Z95 * v.sd for v in values if v is not None)


def _cameras(m: Material, camera_mm: Mapping[str, float]) -> Grid:
    say = m.say
    rows = []
    for clip in m.records.summary.clips:
        c, seen = clip.camera, m.seen.get(clip.clip)
        x, y, z = (say.number(v, 2, signed=i < 2) for i, v in enumerate(c.place_m))
        shown = say("not known")
        if seen is not None and seen.flight_frames:
            shown = f"{100 * seen.seen_frames / seen.flight_frames:.0f} %"
        covered = DASH
        if seen is not None and seen.rally_s:
            covered = f"{100 * seen.flown_s / seen.rally_s:.0f} %"
        camera = camera_mm.get(clip.clip)
        rows.append((
            clip.clip, "\u00a0".join((x, y, z)),
            DASH if c.residual_px is None else say.number(c.residual_px, 2),
            DASH if camera is None else say.number(Z95 * camera),
            _with_sd(m, c.readout_s, c.readout_sd_s, 1),
            _with_sd(m, c.exposure_s, c.exposure_sd_s, 2),
            shown, covered,
        ))  # fmt: skip
    return Grid(
        say("Camera and footage"),
        (say("clip"), say("camera at x y z"), say("lines fit to"), say("places from the camera"),
         say("readout"), say("exposure"), say("flight frames with the ball"),
         say("rally time in flights")),
        ("", "m", "px", "± mm", "ms", "ms", "", ""), tuple(rows),
        say("Places from the camera: the part of a bounce's 95 % error that all bounces of the "
            "clip share. The rest comes from the ball's picture, the timing and the flight."),
    )  # fmt: skip


def _with_sd(m: Material, value_s: float | None, sd_s: float | None, digits: int) -> str:
    if value_s is None or sd_s is None:
        return DASH
    return f"{m.say.number(1e3 * value_s, digits)} ± {m.say.number(1e3 * sd_s, digits)}"


def _measured(m: Material) -> Grid:
    """How many of each quantity were measured."""
    say, strokes = m.say, m.records.strokes
    n, rallies = len(strokes), m.records.rallies
    counts = (
        (say("speed"), sum(s.speed_mps is not None for s in strokes), n,
         say("the flight after the touch was not seen long enough")),
        (say("topspin"), sum(s.topspin_revps is not None for s in strokes), n,
         say("the view does not show it to 25 rev/s")),
        (say("sidespin"), sum(s.sidespin_revps is not None for s in strokes), n,
         say("the view does not show it to 25 rev/s")),
        (say("bounce"), sum(s.placement is not None for s in strokes), n,
         say("no bounce beyond the net, or not seen")),
        (say("height over the net"), sum(s.clearance_m is not None for s in strokes), n,
         say("no flight was seen across the net")),
        (say("kind of stroke"), sum(m.kind_of(s).best != "unknown" for s in strokes), n,
         say("no kind has half of the probability")),
        (say("what became of it"), sum(s.fate != "unknown" for s in strokes), n,
         say("the touches that decide it were not seen")),
        (say("start of a rally"), sum(r.t_start_s is not None for r in rallies), len(rallies),
         say("before the clip, or the serve was not seen")),
        (say("end of a rally"), sum(r.t_end_s is not None for r in rallies), len(rallies),
         say("after the clip, or out of view")),
        (say("winner of a rally"), sum(r.outcome.winner is not None for r in rallies),
         len(rallies), say("the touches that decide it were not seen")),
    )  # fmt: skip
    rows = tuple(
        (what, str(k), str(total), DASH if not total else f"{100 * k / total:.0f} %",
         why if k < total else "")
        for what, k, total, why in counts
    )  # fmt: skip
    heads = (say("quantity"), say("measured"), say("of"), say("share"), say("else"))
    return Grid(say("What was measured"), heads, ("",) * 5, rows, words=frozenset({4}))


def _not_known(m: Material) -> list[Words]:
    out = [
        Words(f"{name}: {why}", lang="en") for name, why in m.records.summary.not_measured
    ]  # fmt: skip
    for clip in m.records.summary.clips:
        out += [Words(f"{clip.clip}: {text}", lang="en") for text in clip.warnings]
    return out
