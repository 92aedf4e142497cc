"""The first page: what was filmed, and the main findings."""

from collections.abc import Mapping
from functools import partial

from halfvolley.report.court import error_95_mm
from halfvolley.report.document import (
    Block,
    Drawing,
    Grid,
    Items,
    Link,
    Section,
    Tile,
    Tiles,
    Words,
)
from halfvolley.report.figures.overview import overview_figure
from halfvolley.report.findings import error_finding, placement_finding
from halfvolley.report.material import Material, count, median_words, percents
from halfvolley.report.videos import Shown, video_label
from halfvolley.report.words import DASH
from halfvolley.session.read import ContactRow

NUMBERED_UP_TO = 40  # bounces; more numbers than this only cover each other


def cover_section(m: Material, videos: Mapping[str, Shown]) -> Section:
    """Session, main findings, and every bounce on one table.

    Parameters
    ----------
    m : Material
        The session.
    videos : mapping of str to Shown
        What each overlay video shows.
    """
    blocks: list[Block] = [_tiles(m)]
    findings = main_findings(m)
    if findings:
        blocks.append(Items(m.say("Main findings"), tuple(findings)))
    if len(m.statistics.players) > 1:
        blocks.append(_side_by_side(m))
    bounces = _bounces(m)
    if bounces:
        blocks.append(_overview(m, bounces))
    for name, shown in videos.items():
        text = m.say("{what}: video with the flight drawn in", what=video_label(shown, m.say))
        blocks.append(Link(text, name))
    return Section("session", m.say("Session"), _title(m), tuple(blocks))


def subtitle(m: Material) -> str:
    """Who, and how much footage."""
    s = m.records.session
    names = [m.name(player.name) for player in m.statistics.players]
    names = names or [name for name in (s.player_a, s.player_b) if name]
    seconds = sum(seen.seconds for seen in m.seen.values())
    clips = count(len(m.records.summary.clips), "{n} clip", "{n} clips", m.say)
    if seconds < 120:
        length = m.say("{seconds} seconds", seconds=round(seconds))
    else:
        length = m.say("{minutes} minutes", minutes=round(seconds / 60))
    return " · ".join([*([", ".join(names)] if names else []), f"{clips}, {length}"])


def main_findings(m: Material) -> list[Words]:
    """What a coach would tell first; only what the numbers carry."""
    players = m.statistics.players
    out = [Words(f"{placement_finding(m, p)}.") for p in players if p.strokes.depth.total]
    for player in players:
        strokes = m.strokes_of(player.name)
        if any(s.fate != "unknown" for s in strokes):
            out.append(Words(f"{m.name(player.name)}: {error_finding(m, strokes)}."))
    if m.statistics.undecided:
        out.append(Words(m.say("The winner of {n} of {total} rallies is not known.",
                               n=m.statistics.undecided, total=m.statistics.rallies)))  # fmt: skip
    out += [Words(f"{name}: {check.words[0]}", lang="en") for name, check in m.checks.items()]
    return out


def _title(m: Material) -> str:
    n = m.statistics.rallies
    if n:
        rallies = count(n, "{n} rally", "{n} rallies", m.say)
        strokes = count(len(m.records.strokes), "{n} stroke", "{n} strokes", m.say)
        return m.say("{rallies}, {strokes} measured", rallies=rallies, strokes=strokes)
    if m.records.strokes:
        return count(len(m.records.strokes), "{n} stroke measured, in no rally",
                     "{n} strokes measured, in no rally", m.say)  # fmt: skip
    if any(clip.contacts for clip in m.records.summary.clips):
        return m.say("No rally was found; the ball was in play without one")
    return m.say("No ball was seen in play")


def _bounces(m: Material) -> list[ContactRow]:
    """Those of rallies; where there is no rally, all."""
    every = [b for clip in m.records.summary.clips for b in clip.bounces]
    return [b for b in every if b.rally_id is not None] or every


def _tiles(m: Material) -> Tiles:
    say, bounces = m.say, _bounces(m)
    error = error_95_mm(tuple(bounces))
    frames = sum(s.flight_frames for s in m.seen.values())
    seen = sum(s.seen_frames for s in m.seen.values())
    strokes = [s for s in m.records.strokes if s.speed_mps is not None]
    top = max(strokes, key=lambda s: s.speed_mps.value if s.speed_mps else 0.0, default=None)
    tiles = [
        Tile(str(m.statistics.rallies), say("rallies")),
        Tile(str(len(m.records.strokes)), say("strokes")),
        Tile(str(len(bounces)), say("bounces"),
             "" if error is None else say("each to ±{mm} mm (95 %)", mm=say.number(error))),
    ]  # fmt: skip
    if top is not None and top.speed_mps is not None:
        tiles.append(
            Tile(f"{say.number(top.speed_mps.value, 1)} m/s", say("fastest stroke"),
                 say("± {sd}, {name}", sd=say.number(1.96 * top.speed_mps.sd, 1),
                     name=m.name(top.player)))
        )  # fmt: skip
    if frames:
        tiles.append(Tile(f"{100 * seen / frames:.0f} %", say("of flight frames show the ball")))
    return Tiles(tuple(tiles))


def _side_by_side(m: Material) -> Grid:
    """Players in rows, each number with its interval."""
    say = m.say
    rows = []
    for p in m.statistics.players:
        s = p.strokes
        won = DASH if not p.decided else f"{p.won}/{p.decided} ({percents(p.share_won, say)})"
        rows.append((m.name(p.name), str(s.n), won, median_words(s.speed_mps, 1, say),
                     median_words(s.topspin_revps, 0, say),
                     median_words(s.clearance_m, 0, say, scale=100.0)))  # fmt: skip
    heads = (say("player"), say("strokes"), say("points won"), say("median speed"),
             say("median topspin"), say("median over the net"))  # fmt: skip
    note = say("In brackets 95 % intervals. Where they overlap much, the players do not differ "
               "surely.")  # fmt: skip
    units = ("", "", "", "m/s", say("rev/s"), "cm")
    return Grid(say("Players side by side"), heads, units, tuple(rows), note)


def _overview(m: Material, bounces: list[ContactRow]) -> Drawing:
    say = m.say
    clips = m.records.summary.clips
    numbers: list[int | None] = [None] * len(bounces)
    if len(clips) == 1 and len(bounces) <= NUMBERED_UP_TO:
        numbers = [clips[0].bounces.index(b) + 1 for b in bounces]
    on_a = sum(b.side == "A" for b in bounces)
    title = say("{total} bounces: {a} on side A, {b} on side B", total=len(bounces), a=on_a,
                b=len(bounces) - on_a)  # fmt: skip
    names = [(end, s) for end, s in (("A", m.records.session.player_a),
                                     ("B", m.records.session.player_b)) if s]  # fmt: skip
    who = ", ".join(f"{end}: {name}" for end, name in names)
    note = say("The table from above. Circles, dark: struck from end A; diamonds, light: from "
               "end B. Ellipses hold the true place with 95 %.")  # fmt: skip
    return Drawing(
        "bounces", title, f"{note} {who}".strip(), partial(overview_figure, bounces, numbers, say)
    )
