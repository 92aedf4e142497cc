"""One page a player: where, how fast, how sure, and what went wrong."""

from collections.abc import Sequence
from functools import partial

import numpy as np

from halfvolley.errors import Unknown
from halfvolley.match.density import Density
from halfvolley.match.intervals import Interval, wilson
from halfvolley.match.kinds import KINDS as KIND_NAMES
from halfvolley.match.records import PHASES as PHASE_NAMES
from halfvolley.match.records import Estimate, Placement, StrokeRecord, seen_by_striker
from halfvolley.match.statistics import PlayerSummary, Spread, StrokeSummary
from halfvolley.report.document import Beside, Block, Drawing, Section, Tile, Tiles, Words
from halfvolley.report.figures.paper import FULL_IN, GAP_IN
from halfvolley.report.figures.placement import SIZE_IN as PLACEMENT_IN
from halfvolley.report.figures.placement import placement_figure
from halfvolley.report.figures.serves import SIZE_IN as SERVES_IN
from halfvolley.report.figures.serves import Serve, serve_figure
from halfvolley.report.figures.shares import Dot, SharePanel, shares_figure
from halfvolley.report.figures.spreads import SpreadPanel, spreads_figure
from halfvolley.report.findings import (
    error_finding,
    placement_finding,
    points_finding,
    serve_finding,
    speed_finding,
)
from halfvolley.report.material import Material, count, percents
from halfvolley.report.pages.targets import target_outline, target_results, targets_grid, targets_of
from halfvolley.report.vocabulary import KINDS, PHASES
from halfvolley.session.read import ContactRow

KINDS_IN, POINTS_IN = 4.35, 2.55  # widths of the figures at the bottom


def player_section(m: Material, player: PlayerSummary, number: int) -> Section:
    """The page of one player.

    Parameters
    ----------
    m : Material
        The session.
    player : PlayerSummary
        With at least one stroke.
    number : int
        From 1; part of the figures' names.
    """
    strokes = m.strokes_of(player.name)
    key = f"player-{number}"
    serves = [s for s in strokes if s.number == 1]
    blocks: list[Block] = [_tiles(m, player)]
    maps: list[tuple[Block, ...]] = [(_placement(m, player, strokes, key),)]
    if serves:
        maps.append((_serves(m, player, serves, key),))
    blocks.append(Beside(tuple(maps), _shares_of(PLACEMENT_IN[0], SERVES_IN[0])[: len(maps)]))
    blocks.append(_spreads(m, strokes, key))
    below: list[tuple[Block, ...]] = [(_kinds(m, strokes, key),)]
    if player.decided:
        below.append((_points(m, player, key),))
    blocks.append(Beside(tuple(below), _shares_of(KINDS_IN, POINTS_IN)[: len(below)]))
    results = target_results(m, strokes)
    if results:
        blocks.append(targets_grid(m, m.name(player.name), results))
    blocks.append(Words(_unknown(m, player.strokes)))
    return Section(
        key, m.name(player.name), placement_finding(m, player), tuple(blocks), one_page=True
    )


def _tiles(m: Material, player: PlayerSummary) -> Tiles:
    say, strokes = m.say, player.strokes
    tiles = [
        Tile(str(strokes.n), say("strokes")),
        Tile(
            f"{player.won}/{player.decided}" if player.decided else "–", say("points won"),
            percents(player.share_won, say),
        ),
        _median_tile(m, strokes.speed_mps, say("median speed"), "m/s", 1),
        _median_tile(m, strokes.topspin_revps, say("median topspin"), say("rev/s"), 0),
    ]  # fmt: skip
    density = strokes.density
    if isinstance(density, Density):
        half, most = density.area_50_m2, density.area_90_m2
        note = say("± {sd}; nine tenths: {area}", sd=say.number(1.96 * half.sd, 2),
                   area=say.number(most.value, 2))  # fmt: skip
        tiles.append(Tile(f"{say.number(half.value, 2)} m²", say("area of half the balls"), note))
    else:
        tiles.append(Tile("–", say("area of half the balls"), say.said(density.reason)))
    return Tiles(tuple(tiles))


def _shares_of(*widths_in: float) -> tuple[float, ...]:
    """Widths of columns as shares of what the gaps leave."""
    room = FULL_IN - GAP_IN * (len(widths_in) - 1)
    return tuple(width / room for width in widths_in)


def _median_tile(m: Material, spread: Spread | Unknown, name: str, unit: str, digits: int) -> Tile:
    if isinstance(spread, Unknown):
        return Tile("–", name, m.say.said(spread.reason))
    interval = spread.median_interval
    if isinstance(interval, Unknown):
        note = m.say("of {n}, too few for an interval", n=spread.n)
    else:
        low, high = (m.say.number(v, digits) for v in (interval.low, interval.high))
        note = m.say("95 %: {low} to {high}", low=low, high=high)
    return Tile(f"{m.say.number(spread.median, digits)} {unit}", name, note)


def _placement(
    m: Material, player: PlayerSummary, strokes: Sequence[StrokeRecord], key: str
) -> Drawing:
    say, summary = m.say, player.strokes
    places = [s.placement for s in strokes if s.placement is not None]
    outlines = [target_outline(t) for t in targets_of(m)]
    draw = partial(placement_figure, places, summary, say, outlines)
    note = say("As the striker sees it, net below. Dots: bounces, with 95 % ellipses. Beside and "
               "above: balls in each third with 95 % interval, dashed one third; up to {n} may "
               "belong to the neighbour.",
               n=max(summary.depth.doubtful, summary.width.doubtful))  # fmt: skip
    if isinstance(summary.density, Density):
        title = say("Half of {n} balls land within {area} m²", n=summary.density.n,
                    area=say.number(summary.density.area_50_m2.value, 2))  # fmt: skip
        note += " " + say("The darker, the more balls; lines hold 50 % (solid) and 90 % (dashed).")
    else:
        title = count(len(places), "Where {n} ball bounced", "Where {n} balls bounced", say)
    return Drawing(f"{key}-placement", title, note, draw)


def _kinds(m: Material, strokes: Sequence[StrokeRecord], key: str) -> Drawing:
    """How often each kind was played, as far as it can be named, and how often it missed."""
    say, n = m.say, max(len(strokes), 1)
    p = np.array([m.kind_of(s).probabilities for s in strokes]).reshape(-1, len(KIND_NAMES))
    named = [m.kind_of(s).best for s in strokes]
    expected = dict(zip(KIND_NAMES, p.sum(axis=0), strict=True))
    sd = dict(zip(KIND_NAMES, np.sqrt((p * (1 - p)).sum(axis=0)), strict=True))
    shown = [k for k in KIND_NAMES if k in named or expected[k] >= 0.5]
    shown.sort(key=lambda k: (k == "unknown", -expected[k]))
    often, missed = [], []
    for kind in shown:
        e, half = float(expected[kind]), 1.96 * float(sd[kind])
        often.append(Dot(
            Interval(e / n, max(0.0, e - half) / n, min(n, e + half) / n),
            str(named.count(kind)),
        ))  # fmt: skip
        fates = [s.fate for s, k in zip(strokes, named, strict=True)
                 if k == kind and s.fate != "unknown"]  # fmt: skip
        off = len(fates) - fates.count("in")
        words = say("{n} of {total}", n=off, total=len(fates))
        if off:
            words += say(": {net} net, {out} out", net=fates.count("net"), out=fates.count("out"))
        missed.append(Dot(wilson(off, len(fates)), words) if fates else None)
    panels = (
        SharePanel(say("share in %, named"), tuple(often)),
        SharePanel(say("missed the table in %"), tuple(missed)),
    )
    note = say("By the published rule; dots: expected share, lines: 95 % of the naming, number: "
               "strokes named. Right: missed, with 95 % interval. {n} of {total} ends not known.",
               n=sum(s.fate == "unknown" for s in strokes), total=len(strokes))  # fmt: skip
    draw = partial(shares_figure, [say(KINDS[k]) for k in shown], panels, KINDS_IN)
    return Drawing(f"{key}-kinds", error_finding(m, strokes), note, draw)


def _spreads(m: Material, strokes: Sequence[StrokeRecord], key: str) -> Drawing:
    say = m.say
    phases = [p for p in (*PHASE_NAMES, "unknown") if any(s.phase == p for s in strokes)]
    groups = [[s for s in strokes if s.phase == p] for p in phases]
    panels = (
        SpreadPanel(say("speed in m/s"), tuple(tuple(s.speed_mps for s in g) for g in groups)),
        SpreadPanel(
            say("topspin in rev/s (backspin negative)"),
            tuple(tuple(s.topspin_revps for s in g) for g in groups),
        ),
        SpreadPanel(
            say("over the net in cm"),
            tuple(tuple(_centimetres(s) for s in g) for g in groups),
        ),
    )
    note = say("Each dot is a stroke, with its 95 % error where there are few; the bar is the 95 % "
               "interval of the median, the tick the median. Right: how many were "
               "measured.")  # fmt: skip
    labels = [say(PHASES[p]) for p in phases]
    return Drawing(f"{key}-speed-spin-height", speed_finding(m, strokes), note,
                   partial(spreads_figure, labels, panels, say))  # fmt: skip


def _centimetres(stroke: StrokeRecord) -> Estimate | None:
    c = stroke.clearance_m
    return None if c is None else Estimate(100 * c.value, 100 * c.sd)


def _serves(
    m: Material, player: PlayerSummary, serves: Sequence[StrokeRecord], key: str
) -> Drawing:
    bounces = serve_bounces(m, serves)
    note = m.say("Seen by the server. Open: own half, filled: beyond the net.")
    summary = dict(player.by_phase)["serve"]
    draw = partial(serve_figure, bounces, m.say)
    return Drawing(f"{key}-serves", serve_finding(m, summary), note, draw)


def serve_bounces(m: Material, serves: Sequence[StrokeRecord]) -> list[Serve]:
    """Both bounces of serves as their server sees them."""
    own: dict[tuple[str, int | None], list[ContactRow]] = {}
    for clip in m.records.summary.clips:
        for c in clip.bounces:
            if c.rally_id is not None:
                own.setdefault((c.clip, c.rally_id), []).append(c)
    out: list[Serve] = []
    for s in serves:
        first: Placement | None = None
        for c in own.get((s.clip, s.rally_id), []):
            if s.t_s < c.t_s < s.t_s + 0.8 and c.side == s.end:
                cov = (c.cov_xx_m2, c.cov_xy_m2, c.cov_yy_m2)
                first = seen_by_striker(c.x_m, c.y_m, cov, s.end)
                break
        out.append((first, s.placement))
    return out


def _points(m: Material, player: PlayerSummary, key: str) -> Drawing:
    say = m.say
    labels = [say("serving"), say("receiving")]
    labels += [say("{n} strokes", n=c.label) for c in player.by_length]
    dots = [Dot(player.won_serving, ""), Dot(player.won_receiving, "")]
    dots += [
        Dot(c.interval, say("{n} of {total}", n=c.won, total=c.decided) if c.decided else "")
        for c in player.by_length
    ]
    panel = SharePanel(say("points won in %"), tuple(dots))
    note = say(
        "Of rallies whose winner is known, by who served and by their length; 95 % intervals."
    )
    draw = partial(shares_figure, labels, (panel,), POINTS_IN)
    return Drawing(f"{key}-points", points_finding(m, player), note, draw)


def _unknown(m: Material, s: StrokeSummary) -> str:
    say = m.say
    missing = []
    for words, spread in (
        (say("speed"), s.speed_mps), (say("topspin"), s.topspin_revps),
        (say("height over the net"), s.clearance_m),
    ):  # fmt: skip
        n = s.n if isinstance(spread, Unknown) else spread.unknown
        if n:
            missing.append(f"{words} {n}")
    if s.depth.unknown:
        missing.append(f"{say('bounce')} {s.depth.unknown}")
    if not missing:
        return say("Everything on this page was measured of all {n} strokes.", n=s.n)
    return say("Not measured, of {n} strokes: {missing}. They take no part in shares and medians.",
               n=s.n, missing=", ".join(missing))  # fmt: skip
