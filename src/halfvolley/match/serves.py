"""Where a serve begins: two bounces, one on each side, or a stroke at a tossed ball."""

from dataclasses import dataclass

import numpy as np

from halfvolley.constants import TABLE_LENGTH_M
from halfvolley.match.sides import Whose, half_of
from halfvolley.types import Contact, Side


@dataclass(frozen=True, slots=True)
class Serve:
    """A serve that begins with a contact."""

    struck: bool  # whether that contact is the racket's, else the bounce after it
    server: Side


def serve_at(run: list[Contact], i: int, whose: Whose, *, out_of_play: bool) -> Serve | None:
    """The serve that begins with contact i of a run; None where none does.

    Parameters
    ----------
    run : list of Contact
        Contacts without a pause.
    i : int
        Place in it.
    whose : Whose
        Tells who struck.
    out_of_play : bool
        Whether the ball is; then the racket contact may have been missed, and a stroke at a tossed
        ball is a serve whatever becomes of it.

    Returns
    -------
    Serve or None
        Racket, own side, other side; nets between them are let.
    """
    rest = [c for c in run[i : i + 6] if c.kind != "net"]
    if rest and run[i].kind == "racket":
        server = whose.striker(run[i])
        bounced_twice = len(rest) >= 3 and _two_bounces(rest[1], rest[2], server, whose)
        foretold = run[i].arc_in == -1  # only the stroke of a serve is, see flight.serves
        if bounced_twice or (out_of_play and (foretold or _is_tossed(run[i], server, whose))):
            return Serve(True, server)
    elif out_of_play and len(rest) >= 2 and run[i].kind == "table":
        first = half_of(run[i])
        if _two_bounces(rest[0], rest[1], first, whose):
            return Serve(False, first)
    return None


def _two_bounces(one: Contact, two: Contact, server: Side, whose: Whose) -> bool:
    if one.kind != "table" or two.kind not in ("table", "edge"):
        return False
    going = whose.sender(one)
    return half_of(one) == server and half_of(two) != server and going in (server, None)


def _is_tossed(contact: Contact, server: Side, whose: Whose) -> bool:
    """Whether a falling ball was struck from behind the end line towards the other end."""
    along, down = float(np.hypot(*contact.v_in_mps[:2])), -float(contact.v_in_mps[2])
    behind = abs(float(contact.xyz_m[0])) - TABLE_LENGTH_M.value / 2 > -whose.limits.serve_inside_m
    tossed = along < whose.limits.toss_mps and down > whose.limits.toss_fall_mps
    return behind and tossed and whose.sends_away(contact, server)
