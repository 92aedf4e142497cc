"""The columns of a library of sessions, and its rows from the records of one session.

`docs/many-sessions.md` shows the columns and a test holds it to this list. Raise `LIBRARY_VERSION`
when a column or the meaning of one changes: every library is then read anew.
"""

import unicodedata
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from halfvolley.match.kinds import guess_kind
from halfvolley.match.records import Estimate, RallyRecord, StrokeRecord
from halfvolley.match.zones import depth_labels, width_labels
from halfvolley.session.columns import Column
from halfvolley.session.tables import arrow_table

if TYPE_CHECKING:
    from halfvolley.session.records import Records

LIBRARY_VERSION = 1
Row = dict[str, Any]

_UNSEEN = "not measured"
_NO_BOUNCE = "no bounce on the other side was seen"
_SESSION = Column("session", "text", "", "folder of the session below that of the library")
_CLIP = Column("clip", "text", "", "name of the clip in session.toml")
_DATE = Column("date", "day", "", "day on which it was filmed", "session.toml does not say it")


def _estimate(name: str, unit: str, suffix: str, meaning: str) -> tuple[Column, Column]:
    return (
        Column(f"{name}_{suffix}", "number", unit, meaning, _UNSEEN),
        Column(f"{name}_sd_{suffix}", "number", unit, "its standard deviation", _UNSEEN),
    )


SESSIONS = (
    _SESSION,
    _DATE,
    Column("venue", "text", "", "where it was filmed", "session.toml does not say it"),
    Column("players", "text", "", "names of the players", "no name was given"),
    Column("clips", "whole", "", "measured clips"),
    Column("rallies", "whole", "", "rallies"),
    Column("strokes", "whole", "", "strokes"),
    Column("reason", "text", "", "why it, or a clip of it, is not in the library", "all is in it"),
    Column("state", "text", "", "size and time of change of its files, to notice a change"),
)

STROKES = (
    _SESSION,
    _DATE,
    _CLIP,
    Column("stroke_id", "whole", "", "number of the stroke, unique within the clip"),
    Column("rally_id", "whole", "", "rally it belongs to", "outside every rally"),
    Column("number", "whole", "", "place in the rally; 1 is the serve", "the serve was not seen"),
    Column("phase", "text", "", "serve, return, third ball or rally", "the serve was not seen"),
    Column("player", "text", "", "name of the striker", "no name was given"),
    Column("opponent", "text", "", "name of the other player", "no name was given"),
    Column("own_serve", "yes or no", "", "the striker served this rally", "server not seen"),
    Column("won", "yes or no", "", "the striker won this rally", "not known, or nobody did"),
    Column("kind", "text", "", "kind of stroke, unknown among them"),
    Column("kind_probability", "number", "1", "probability of that kind"),
    Column("t_s", "number", "s", "time of the touch on the clip's own clock"),
    *_estimate("speed", "m/s", "mps", "speed just after the touch"),
    *_estimate("topspin", "rev/s", "revps", "topspin just after; backspin is negative"),
    *_estimate("sidespin", "rev/s", "revps", "spin about the upright axis"),
    *_estimate("direction", "rad", "rad", "from the table's length to the striker's right"),
    *_estimate("elevation", "rad", "rad", "start above the horizontal"),
    *_estimate("clearance", "m", "m", "lowest point of the ball over the net's top"),
    Column("height_m", "number", "m", "of the touch above the playing surface", _UNSEEN),
    Column("behind_m", "number", "m", "of the touch behind the own end line", _UNSEEN),
    *_estimate("depth", "m", "m", "bounce from the net towards the opponent's end line"),
    *_estimate("right", "m", "m", "bounce to the striker's right of the centre line"),
    Column("depth_third", "text", "", "short, half-long or long", _NO_BOUNCE),
    Column("width_third", "text", "", "left, middle or right of the striker", _NO_BOUNCE),
    Column("fate", "text", "", "in, net, out or own side", "not known"),
    Column("waited_s", "number", "s", "from the bounce on the own side to the touch", _UNSEEN),
    Column("given_s", "number", "s", "from the touch to the opponent's", _UNSEEN),
)

RALLIES = (
    _SESSION,
    _DATE,
    _CLIP,
    Column("rally_id", "whole", "", "number of the rally, unique within the clip"),
    Column("t_start_s", "number", "s", "the serve's racket contact", "not seen"),
    Column("t_end_s", "number", "s", "first touch after the ball is decided", "not seen"),
    Column("player_a", "text", "", "name of the player at end A", "no name was given"),
    Column("player_b", "text", "", "name of the player at end B", "no name was given"),
    Column("server", "text", "", "end of the server, A or B", "the serve was not seen"),
    Column("winner", "text", "", "end of the winner, A or B", "not known, or nobody won"),
    Column("how", "text", "", "how it ended", "not known"),
    Column("probability", "number", "1", "of the winner or the let", "not known"),
    Column("n_strokes", "whole", "", "strokes, also those that must have happened unseen"),
)

LIBRARY = {"sessions": SESSIONS, "strokes": STROKES, "rallies": RALLIES}


def session_tables(name: str, records: "Records", state: str) -> dict[str, Any]:
    """What the library holds of one session, as Arrow tables by their names.

    Parameters
    ----------
    name : str
        How the library calls it.
    records : Records
        As `read_records` gives them.
    state : str
        Of its files, to notice a change.
    """
    where = {"session": name, "date": records.session.date}
    given = {n for c in records.summary.clips for n in (c.player_a, c.player_b) if n}
    rallies = {(r.clip, r.rally_id): r for r in records.rallies}
    left_out = "; ".join(f"{clip} was not measured: {why}" for clip, why in
                         records.summary.not_measured)  # fmt: skip
    session = where | {
        "venue": records.session.venue or None,
        "players": ", ".join(sorted(map(plain_name, given))) or None,
        "clips": len(records.summary.clips),
        "rallies": len(records.rallies),
        "strokes": len(records.strokes),
        "reason": left_out or None,
        "state": state,
    }
    strokes = [
        where | _stroke(s, rallies.get((s.clip, s.rally_id or -1)), given) for s in records.strokes
    ]
    return _tables(session, strokes, [where | r for r in _rallies(records, given)])


def unread_tables(name: str, why: str, state: str) -> dict[str, Any]:
    """The same of a session that could not be read: a line that says why."""
    nothing: Row = {c.name: 0 if c.kind == "whole" else None for c in SESSIONS}
    return _tables(nothing | {"session": name, "state": state, "reason": why}, [], [])


def _tables(session: Row, strokes: list[Row], rallies: list[Row]) -> dict[str, Any]:
    rows = {"sessions": [session], "strokes": strokes, "rallies": rallies}
    return {
        name: arrow_table(described, {c.name: [r[c.name] for r in rows[name]] for c in described},
                          {"halfvolley_library": name})
        for name, described in LIBRARY.items()
    }  # fmt: skip


def plain_name(name: str) -> str:
    """One spelling of a name that can be written in several ways."""
    return " ".join(unicodedata.normalize("NFC", name).split())


def _named(name: str | None, given: set[str]) -> str | None:
    """A player's name; None where only the end is known, which is no person."""
    return plain_name(name) if name in given and name is not None else None


def _stroke(s: StrokeRecord, rally: RallyRecord | None, given: set[str]) -> Row:
    guess = guess_kind(s)
    row: Row = {
        "clip": s.clip, "stroke_id": s.stroke_id, "rally_id": s.rally_id, "number": s.number,
        "phase": None if s.phase == "unknown" else s.phase, "player": _named(s.player, given),
        "opponent": None, "own_serve": True if s.number == 1 else None, "won": None,
        "kind": guess.best, "kind_probability": guess.of(guess.best), "t_s": s.t_s,
        "height_m": s.height_m, "behind_m": s.behind_m,
        "fate": None if s.fate == "unknown" else s.fate,
        "waited_s": s.waited_s, "given_s": s.given_s,
    }  # fmt: skip
    if rally is not None:
        row["opponent"] = _named(rally.name("B" if s.end == "A" else "A"), given)
        row["own_serve"] = None if rally.server is None else rally.server == s.end
        winner = rally.outcome.winner
        row["won"] = None if winner is None else winner == s.end
    row |= _pair("speed", "mps", s.speed_mps) | _pair("topspin", "revps", s.topspin_revps)
    row |= _pair("sidespin", "revps", s.sidespin_revps) | _pair("clearance", "m", s.clearance_m)
    row |= _pair("direction", "rad", s.direction_rad) | _pair("elevation", "rad", s.elevation_rad)
    place = s.placement
    depth = right = None
    if place is not None:
        depth = Estimate(place.depth_m, max(place.cov_dd_m2, 0.0) ** 0.5)
        right = Estimate(place.right_m, max(place.cov_rr_m2, 0.0) ** 0.5)
    row |= _pair("depth", "m", depth) | _pair("right", "m", right)
    row["depth_third"], row["width_third"] = depth_labels([place])[0], width_labels([place])[0]
    return row


def _pair(name: str, suffix: str, value: Estimate | None) -> Row:
    return {
        f"{name}_{suffix}": None if value is None else value.value,
        f"{name}_sd_{suffix}": None if value is None else value.sd,
    }


def _rallies(records: "Records", given: set[str]) -> Iterator[Row]:
    for r in records.rallies:
        how = None if r.outcome.how == "unknown" else r.outcome.how
        known = how is not None or r.outcome.winner is not None
        yield {
            "clip": r.clip, "rally_id": r.rally_id, "t_start_s": r.t_start_s,
            "t_end_s": r.t_end_s, "player_a": _named(r.names[0], given),
            "player_b": _named(r.names[1], given), "server": r.server,
            "winner": r.outcome.winner, "how": how,
            "probability": r.outcome.probability if known else None, "n_strokes": r.n_strokes,
        }  # fmt: skip
