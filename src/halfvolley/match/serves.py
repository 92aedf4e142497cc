"""Where a serve begins: two bounces, one on each side, or a stroke at a tossed ball."""

from dataclasses import dataclass

import numpy as np

from halfvolley.constants import TABLE_LENGTH_M
from halfvolley.match.settings import PlaySettings
from halfvolley.match.sides import (
    half_of,
    half_of_x,
    sends_away,
    striker_at_racket,
    striker_by_direction,
)
from halfvolley.types import Arc, Contact, Flights, Moment, Side


@dataclass(frozen=True, slots=True)
class Serve:
    """A serve that begins with a contact."""

    struck: bool  # whether that contact is the racket's, else the bounce after it
    server: Side


def serve_at(
    run: list[Contact], i: int, settings: PlaySettings, *, out_of_play: bool
) -> Serve | None:
    """The serve that begins with contact i of a run; None where none does.

    Parameters
    ----------
    run : list of Contact
        Contacts without a pause.
    i : int
        Place in it.
    settings : PlaySettings
        Limits.
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
        server = striker_at_racket(run[i], settings)
        bounced_twice = len(rest) >= 3 and _two_bounces(rest[1], rest[2], server, settings)
        if bounced_twice or (out_of_play and _is_tossed(run[i], server, settings)):
            return Serve(True, server)
    elif out_of_play and len(rest) >= 2 and run[i].kind == "table":
        first = half_of(run[i])
        if _two_bounces(rest[0], rest[1], first, settings):
            return Serve(False, first)
    return None


def _two_bounces(one: Contact, two: Contact, server: Side, settings: PlaySettings) -> bool:
    if one.kind != "table" or two.kind not in ("table", "edge"):
        return False
    going = striker_by_direction(one, settings)
    return half_of(one) == server and half_of(two) != server and going in (server, None)


def _is_tossed(contact: Contact, server: Side, settings: PlaySettings) -> bool:
    """Whether a falling ball was struck from behind the end line towards the other end."""
    along, down = float(np.hypot(*contact.v_in_mps[:2])), -float(contact.v_in_mps[2])
    behind = abs(float(contact.xyz_m[0])) - TABLE_LENGTH_M.value / 2 > -settings.serve_inside_m
    tossed = along < settings.toss_mps and down > settings.toss_fall_mps
    return behind and tossed and sends_away(contact, server, settings)


class UnseenServes:
    """Serves whose stroke was not seen, from the flights about it."""

    def __init__(self, flights: Flights) -> None:
        self._arcs = {arc.arc_id: arc for arc in flights.arcs}

    def server(self, contact: Contact, settings: PlaySettings) -> Side | None:
        """Who served, if this is the first touch that was seen of a serve.

        Its flight must begin behind or above the end of the server's half: after a toss that ends
        there, or on its way to the own half. In both cases nothing was seen before on its way.
        """
        arc = self._first_flight(contact)
        if arc is None or abs(float(arc.v_mps[0])) < settings.least_serve_mps:
            return None
        server: Side = "A" if arc.v_mps[0] > 0 else "B"
        from_end = TABLE_LENGTH_M.value / 2 - abs(float(arc.xyz_m[0]))
        if half_of_x(float(arc.xyz_m[0])) != server or from_end > settings.serve_inside_end_m:
            return None
        to_own = contact.kind == "table" and half_of(contact) == server
        from_behind = from_end < settings.serve_inside_m
        return server if self._toss(arc, settings) or (to_own and from_behind) else None

    def start(self, contact: Contact, server: Side) -> Moment | None:
        """When the serve was struck that leads to its first touch.

        Between toss and flight where the toss was seen; else the server strikes behind the own end
        line (ITTF Law 2.6.4) and before the first sighting.
        """
        s = PlaySettings()
        arc = self._first_flight(contact)
        if arc is None or (1.0 if server == "A" else -1.0) * arc.v_mps[0] < s.least_serve_mps:
            return None
        toss = self._toss(arc, s)
        if toss is not None:
            gap = arc.t0_s - toss.t1_s
            return Moment(0.5 * (arc.t0_s + toss.t1_s), max(gap / 12.0**0.5, 0.002), False)
        behind = TABLE_LENGTH_M.value / 2 + s.behind_m
        x = behind if server == "B" else -behind
        t_line = arc.t0_s + float((x - arc.xyz_m[0]) / arc.v_mps[0])
        return Moment(min(t_line, arc.t0_s), s.behind_sd_m / abs(float(arc.v_mps[0])), False)

    def _first_flight(self, contact: Contact) -> Arc | None:
        """The flight that leads to a contact, if it comes from nothing that was seen."""
        arc = self._arcs.get(contact.arc_in)
        return arc if arc is not None and arc.contact_in == -1 else None

    def _toss(self, arc: Arc, settings: PlaySettings) -> Arc | None:
        """A ball in the air, going up and down, that was last seen where a flight begins."""
        for toss in self._arcs.values():
            gap = arc.t0_s - toss.t1_s
            near = abs(float(toss.xyz_m[0] - arc.xyz_m[0])) < settings.toss_near_m
            slow = float(np.hypot(*toss.v_mps[:2])) < settings.toss_mps
            long = toss.t1_s - toss.t0_s > settings.toss_s
            if 0.0 <= gap < settings.toss_gap_s and near and slow and long:
                return toss
        return None
