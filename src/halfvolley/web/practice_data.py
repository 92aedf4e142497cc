"""What the Play screen lists where no match was played: serves, strokes at fed balls, drops, marks.

Each entry has its number, the time it begins and ends, the touches that belong to it, what came of
it in words, and what was measured of it.
"""

import math
from collections.abc import Sequence
from typing import Any

from halfvolley.camera import MarksCheck
from halfvolley.errors import Unknown
from halfvolley.flight import Drops
from halfvolley.flight.drop import DropBounce
from halfvolley.match.kinds import guess_kind
from halfvolley.match.records import Estimate, Fate, StrokeRecord
from halfvolley.match.zones import depth_labels, width_labels
from halfvolley.report.checks import drop_words, marks_words
from halfvolley.report.words import with_sd
from halfvolley.session.pipeline import kept_result
from halfvolley.session.read import ClipSummary, ContactRow
from halfvolley.session.records import Records

Json = dict[str, Any]
FLIGHT_S = 1.2  # after a stroke whose bounce was not seen, no later touch belongs to it
NOT_NOW = "It is known when the session has been measured again."
FATES: dict[Fate, str] = {
    "in": "on the table", "net": "into the net", "out": "past the table",
    "own side": "onto the own half", "unknown": "not seen to land",
}  # fmt: skip


def practice_data(records: Records, clip: str) -> Json:
    """What is listed of a clip instead of rallies, and what is said above the list.

    Returns
    -------
    dict
        "kind" of the clip, as session.toml says; "items"; "findings", sentences about all of them.
    """
    entry = records.session.clip(clip)
    summary = next(c for c in records.summary.clips if c.clip == clip)
    items: list[Json] = []
    findings: list[str] = []
    if entry.kind in ("serves", "feed"):
        items, findings = _strokes(records, summary, entry.kind)
    elif entry.kind == "drop":
        items, findings = drop_items(kept_result(records.session, clip, "drops"))
    elif entry.kind == "marks":
        items, findings = _marks(kept_result(records.session, clip, "marks"))
    return {"kind": entry.kind, "items": items, "findings": findings}


# --- strokes -------------------------------------------------------------------------------------
def _strokes(records: Records, summary: ClipSummary, kind: str) -> tuple[list[Json], list[str]]:
    rows = {s.stroke_id: s for s in summary.strokes}
    in_order = sorted(summary.contacts, key=lambda c: c.t_s)
    own = [s for s in records.strokes if s.clip == summary.clip]
    listed = [s for s in own if kind == "feed" or s.number == 1]
    items = []
    for number, stroke in enumerate(listed, start=1):
        row = rows[stroke.stroke_id]
        touches = _touches(in_order, row.contact_id, row.bounce_id)
        items.append(
            {
                "id": number, "contact": row.contact_id, "from": stroke.t_s,
                "to": max(c.t_s for c in touches), "touches": [c.contact_id for c in touches],
                "words": _stroke_words(stroke, kind), "more": _measured(stroke),
            }
        )  # fmt: skip
    return items, _tally(listed, "serve" if kind == "serves" else "stroke")


def _touches(
    in_order: Sequence[ContactRow], contact_id: int, bounce_id: int | None
) -> list[ContactRow]:
    """The stroke and what its ball touched, as far as it is known to be that ball."""
    first = next(i for i, c in enumerate(in_order) if c.contact_id == contact_id)
    out = [in_order[first]]
    for contact in in_order[first + 1 :]:
        late = bounce_id is None and contact.t_s > out[0].t_s + FLIGHT_S
        if late or contact.kind == "racket":
            break
        out.append(contact)
        if contact.contact_id == bounce_id:
            break
    return out


def _stroke_words(stroke: StrokeRecord, kind: str) -> str:
    guess = guess_kind(stroke).best
    what = "serve" if kind == "serves" else "stroke" if guess == "unknown" else guess
    return f"{stroke.player}: {what} {_where(stroke)}"


def _where(stroke: StrokeRecord) -> str:
    (depth,), (width,) = depth_labels([stroke.placement]), width_labels([stroke.placement])
    if depth is None or width is None:
        return FATES[stroke.fate]
    return f"{depth}, to the {width}"


def _measured(stroke: StrokeRecord) -> str:
    parts = [
        _value(stroke.speed_mps, 1.0, 1, "m/s"),
        _value(stroke.topspin_revps, 1.0, 0, "turns/s of topspin"),
        _value(stroke.clearance_m, 100.0, 0, "cm over the net"),
    ]
    return ", ".join(filter(None, parts)) or "Nothing more could be measured."


def _value(estimate: Estimate | None, scale: float, digits: int, unit: str) -> str:
    if estimate is None:
        return ""
    value, sd = scale * estimate.value, scale * estimate.sd
    if sd > 0:  # no error reads as 0
        digits = min(3, max(digits, math.ceil(-math.log10(sd))))
    return f"{with_sd(value, sd, digits)} {unit}"


def _tally(strokes: Sequence[StrokeRecord], what: str) -> list[str]:
    """How many there were, and where they went."""
    if not strokes:
        return []
    counts = {fate: sum(s.fate == fate for s in strokes) for fate in FATES}
    parts = [f"{n} {FATES[fate]}" for fate, n in counts.items() if n]
    return [f"{len(strokes)} {what if len(strokes) == 1 else what + 's'}: {', '.join(parts)}."]


# --- checks --------------------------------------------------------------------------------------
def drop_items(drops: Drops | Unknown | None) -> tuple[list[Json], list[str]]:
    """Each bounce of dropped balls, and what all of them say of the table.

    Parameters
    ----------
    drops : Drops, Unknown or None
        As measured; None where that is out of date.
    """
    if drops is None:
        return [], [NOT_NOW]
    if isinstance(drops, Unknown):
        return [], drop_words(drops)
    items = [
        {
            "id": i, "contact": b.contact_id, "from": b.t_s, "to": b.t_s,
            "touches": [b.contact_id],
            "words": f"Drop {b.drop}, bounce {b.number}: {_heights(b)}",
            "more": f"keeps {with_sd(100 * b.restitution, 100 * b.restitution_sd, 1)} % of its "
            f"speed ({b.speed_in_mps:.2f} to {b.speed_out_mps:.2f} m/s)",
        }
        for i, b in enumerate(drops.bounces, start=1)
    ]  # fmt: skip
    return items, drop_words(drops)


def _heights(bounce: DropBounce) -> str:
    fell, rose = 1e3 * bounce.fall_m, 1e3 * bounce.rise_m
    return f"fell {fell:.0f} mm, rose {with_sd(rose, 1e3 * bounce.rise_sd_m, 0)} mm"


def _marks(check: MarksCheck | Unknown | None) -> tuple[list[Json], list[str]]:
    if check is None:
        return [], [NOT_NOW]
    if isinstance(check, Unknown):
        return [], marks_words(check)
    items: list[Json] = [
        {
            "id": i, "contact": None, "from": mark.t_s, "to": mark.t_s, "touches": [],
            "words": f"{mark.name.capitalize()}: off by {mark.off_mm:.1f} mm",
            "more": f"claimed: {mark.sd_mm:.1f} mm",
        }
        for i, mark in enumerate(check.marks, start=1)
    ]  # fmt: skip
    return items, marks_words(check)
