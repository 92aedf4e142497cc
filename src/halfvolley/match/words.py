"""A person's word on single touches: which touch it is about, and which word counts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from halfvolley.match.settings import PlaySettings
from halfvolley.match.sides import Whose
from halfvolley.match.touches import named
from halfvolley.types import Contact, Flights, Side

NEAR_S = 0.05  # a time so near to a touch is meant for it; fits move touches by a few ms


@dataclass(frozen=True, slots=True)
class TouchWord:
    """A person's word on one touch."""

    t_s: float  # of the touch, on the clip's own clock
    none: bool = False  # nothing was touched
    player: Side | None = None  # end of who struck


class Touched(Protocol):
    """A touch, in whatever form."""

    @property
    def contact_id(self) -> int:
        """Its number."""

    @property
    def t_s(self) -> float:
        """When [s]."""


@dataclass(frozen=True, slots=True)
class Heard:
    """Words on the touches of a clip."""

    by_contact: Mapping[int, TouchWord]  # the last word on each
    notes: tuple[str, ...]  # contradictions, and words on no touch

    @property
    def gone(self) -> frozenset[int]:
        """Touches that were none."""
        return frozenset(i for i, word in self.by_contact.items() if word.none)

    @property
    def strikers(self) -> dict[int, Side]:
        """Who struck, where it was said."""
        return {i: w.player for i, w in self.by_contact.items() if w.player and not w.none}


def hear(touches: Sequence[Touched], words: Sequence[TouchWord]) -> Heard:
    """Which touch each word is about, and what counts.

    Parameters
    ----------
    touches : sequence
        All touches of a clip, with `contact_id` and `t_s`.
    words : sequence of TouchWord
        In the order in which they were said.

    Returns
    -------
    Heard
        Of words on one touch the last one counts, as a whole; one that contradicts it is named.
    """
    out: dict[int, TouchWord] = {}
    notes = []
    for word in words:
        touch = min(touches, key=lambda c, t_s=word.t_s: abs(c.t_s - t_s), default=None)  # type: ignore[misc]
        where = f"The word on the touch at {word.t_s:g} s"
        if touch is None or abs(touch.t_s - word.t_s) > NEAR_S:
            notes.append(f"{where} is about no touch that was found, and counts for nothing.")
            continue
        old = out.get(touch.contact_id)
        if old is not None and (old.none, old.player) != (word.none, word.player):
            notes.append(f"{where} contradicts an earlier one; the last one counts.")
        out[touch.contact_id] = word
    return Heard(out, tuple(notes))


def sure_contacts(
    flights: Flights, settings: PlaySettings, words: Sequence[TouchWord]
) -> tuple[list[Contact], Whose]:
    """Contacts that take part, in time order, and who struck by a person's word."""
    heard = hear(flights.contacts, words)
    sure = [
        named(c)
        for c in flights.contacts
        if c.probability >= settings.min_probability and c.contact_id not in heard.gone
    ]
    return sorted(sure, key=lambda c: c.t_s), Whose(settings, heard.strikers)
