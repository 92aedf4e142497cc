"""Which half of the table a touch belongs to, and whose the ball is."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from halfvolley.match.settings import PlaySettings
from halfvolley.types import Contact, Side


def half_of(contact: Contact) -> Side:
    """The half of the table that a contact lies over."""
    return "A" if contact.xyz_m[0] < 0 else "B"


def side_on_table(contact: Contact) -> Side | None:
    """The half of the table that was touched; None where it was not."""
    return half_of(contact) if contact.kind in ("table", "edge") else None


@dataclass(frozen=True, slots=True)
class Whose:
    """Tells who struck, by a person's word, else by place and direction."""

    limits: PlaySettings
    said: Mapping[int, Side]  # by contact

    def sender(self, contact: Contact) -> Side | None:
        """Who sent the ball that arrives here; None where it hardly travels along the table."""
        if contact.contact_id in self.said:
            return self.said[contact.contact_id]
        vx = float(contact.v_in_mps[0])
        if not np.isfinite(vx) or abs(vx) < self.limits.sure_vx_mps:
            return None
        return "A" if vx > 0 else "B"

    def sends_away(self, contact: Contact, striker: Side) -> bool:
        """Whether a ball leaves a racket towards the other end."""
        vx = float(contact.v_out_mps[0])
        return (vx if striker == "A" else -vx) > self.limits.sure_vx_mps

    def striker(self, contact: Contact) -> Side:
        """The player at this end; near the net, who sends the ball away or had it coming."""
        if contact.contact_id in self.said:
            return self.said[contact.contact_id]
        x, sure_vx = float(contact.xyz_m[0]), self.limits.sure_vx_mps
        if abs(x) < self.limits.sure_x_m:
            out, into = float(contact.v_out_mps[0]), float(contact.v_in_mps[0])
            if np.isfinite(out) and abs(out) > sure_vx:
                return "A" if out > 0 else "B"
            if np.isfinite(into) and abs(into) > sure_vx:
                return "B" if into > 0 else "A"
        return "A" if x < 0 else "B"
