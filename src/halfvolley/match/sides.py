"""Which half of the table a touch belongs to, and whose the ball is."""

import numpy as np

from halfvolley.match.settings import PlaySettings
from halfvolley.types import Contact, Side


def half_of(contact: Contact) -> Side:
    """The half of the table that a contact lies over."""
    return "A" if contact.xyz_m[0] < 0 else "B"


def side_on_table(contact: Contact) -> Side | None:
    """The half of the table that was touched; None where it was not."""
    return half_of(contact) if contact.kind in ("table", "edge") else None


def striker_by_direction(contact: Contact, settings: PlaySettings) -> Side | None:
    """Who sent the ball that arrives here; None where it hardly travels along the table."""
    if contact.contact_id in settings.strikers:
        return settings.strikers[contact.contact_id]
    vx = float(contact.v_in_mps[0])
    if not np.isfinite(vx) or abs(vx) < settings.sure_vx_mps:
        return None
    return "A" if vx > 0 else "B"


def sends_away(contact: Contact, striker: Side, settings: PlaySettings) -> bool:
    """Whether a ball leaves a racket towards the other end."""
    vx = float(contact.v_out_mps[0])
    return vx > settings.sure_vx_mps if striker == "A" else vx < -settings.sure_vx_mps


def striker_at_racket(contact: Contact, settings: PlaySettings) -> Side:
    """The player at this end; near the net, who sends the ball away or had it coming."""
    if contact.contact_id in settings.strikers:
        return settings.strikers[contact.contact_id]
    x = float(contact.xyz_m[0])
    if abs(x) < settings.sure_x_m:
        out, into = float(contact.v_out_mps[0]), float(contact.v_in_mps[0])
        if np.isfinite(out) and abs(out) > settings.sure_vx_mps:
            return "A" if out > 0 else "B"
        if np.isfinite(into) and abs(into) > settings.sure_vx_mps:
            return "B" if into > 0 else "A"
    return "A" if x < 0 else "B"
