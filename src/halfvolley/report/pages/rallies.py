"""All rallies: small pictures, then a table."""

from functools import partial

import numpy as np

from halfvolley.match.records import RallyRecord
from halfvolley.report.document import Block, Drawing, Grid, Section
from halfvolley.report.figures.rallies import PER_PAGE, RallyView, rallies_figure
from halfvolley.report.language import Language
from halfvolley.report.material import Material, count
from halfvolley.report.vocabulary import ENDINGS
from halfvolley.report.words import DASH
from halfvolley.session.read import ContactRow
from halfvolley.session.records import FlightPath

Key = tuple[str, int]


def rally_section(m: Material) -> Section:
    """Every rally from above and from the side, and what is known of it."""
    say, rallies = m.say, m.records.rallies
    blocks: list[Block] = []
    views = _views(m)
    for first in range(0, len(views), PER_PAGE):
        part = views[first : first + PER_PAGE]
        title = say("Rallies {first} to {last}", first=first + 1, last=first + len(part))
        note = say("Above: the table from above, end A on the left; below: from the side, to "
                   "scale. Dark: struck from end A, light: from end B; dotted: by whom is not "
                   "known. Open circle: the serve; marks: bounces.")  # fmt: skip
        blocks.append(
            Drawing(f"rallies-{first // PER_PAGE + 1}", title, note, partial(rallies_figure, part))
        )
    blocks.append(_table(m))
    longest = max(rallies, key=lambda r: r.n_strokes)
    title = say("{rallies}; the longest has {strokes}",
                rallies=count(len(rallies), "{n} rally", "{n} rallies", say),
                strokes=count(longest.n_strokes, "{n} stroke", "{n} strokes", say))  # fmt: skip
    return Section("rallies", say("Rallies"), title, tuple(blocks))


def _views(m: Material) -> list[RallyView]:
    touches: dict[Key, list[ContactRow]] = {}
    strikers = {}
    for clip in m.records.summary.clips:
        for c in clip.contacts:
            strikers[c.clip, c.contact_id] = c.player
            if c.rally_id is not None:
                touches.setdefault((c.clip, c.rally_id), []).append(c)
    paths: dict[Key, list[FlightPath]] = {}
    for path in m.records.paths:
        if path.rally_id is not None:
            paths.setdefault((path.clip, path.rally_id), []).append(path)
    out = []
    for number, rally in enumerate(m.records.rallies, start=1):
        key = (rally.clip, rally.rally_id)
        own = touches.get(key, [])
        serve = next((c for c in own if c.kind == "racket"), None)
        served = rally.t_start_s is not None and serve is not None
        out.append(
            RallyView(
                _caption(m, number, rally),
                tuple(
                    (None if p.contact_in is None else strikers.get((p.clip, p.contact_in)),
                     p.xyz_m)
                    for p in paths.get(key, [])
                ),
                tuple((c.player, c.x_m, c.y_m) for c in own if c.kind == "table"),
                _place(serve) if served and serve is not None else None,
            )
        )  # fmt: skip
    return out


def _place(contact: ContactRow) -> tuple[float, float, float] | None:
    place = (contact.x_m, contact.y_m, contact.z_m)
    known = all(v is not None and np.isfinite(v) for v in place)
    return place if known else None


def _caption(m: Material, number: int, rally: RallyRecord) -> str:
    strokes = count(rally.n_strokes, "{n} stroke", "{n} strokes", m.say)
    how = m.say(ENDINGS[rally.outcome.how])
    return f"{number} · {strokes} · {how}" if rally.outcome.how != "unknown" else (
        f"{number} · {strokes}"
    )  # fmt: skip


def _table(m: Material) -> Grid:
    say = m.say
    several = len(m.records.summary.clips) > 1
    fastest: dict[Key, float] = {}
    for s in m.records.strokes:
        if s.speed_mps is not None and s.rally_id is not None:
            key = (s.clip, s.rally_id)
            fastest[key] = max(fastest.get(key, 0.0), s.speed_mps.value)
    rows = []
    for number, r in enumerate(m.records.rallies, start=1):
        length = None if None in (r.t_start_s, r.t_end_s) else r.t_end_s - r.t_start_s  # type: ignore[operator]
        speed = fastest.get((r.clip, r.rally_id))
        row = [
            str(number),
            DASH if r.t_start_s is None else clock(r.t_start_s, say),
            DASH if length is None else say.number(length, 1),
            str(r.n_strokes),
            _who(m, r, r.server),
            say(ENDINGS[r.outcome.how]),
            _who(m, r, r.outcome.winner),
            DASH if speed is None else say.number(speed, 1),
        ]
        rows.append(tuple([*row, r.clip] if several else row))
    heads = [say("rally"), say("start"), say("length"), say("strokes"), say("served by"),
             say("ended by"), say("won by"), say("fastest")]  # fmt: skip
    units = ["", "min:s", "s", "", "", "", "", "m/s"]
    words = frozenset({4, 5, 6, *({8} if several else ())})
    if several:
        heads, units = [*heads, say("clip")], [*units, ""]
    note = say("{dash} is what the footage could not tell.", dash=DASH)
    return Grid(say("Rallies in time order"), tuple(heads), tuple(units), tuple(rows), note, words)


def clock(t_s: float, say: Language) -> str:
    """A time of the clip as minutes and seconds."""
    minutes, seconds = divmod(round(t_s, 1), 60.0)
    zero = "0" if seconds < 10 else ""
    return f"{minutes:.0f}:{zero}{say.number(seconds, 1)}"


def _who(m: Material, rally: RallyRecord, end: str | None) -> str:
    name = rally.name(end)  # type: ignore[arg-type]
    return DASH if name is None else m.name(name)
