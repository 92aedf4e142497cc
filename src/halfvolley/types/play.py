"""Rallies and strokes."""

from dataclasses import dataclass
from typing import Literal

from halfvolley.types.flights import Contact

Side = Literal["A", "B"]


@dataclass(frozen=True, slots=True, eq=False)
class PlayedContact:
    """A contact with its place in the play."""

    contact: Contact
    rally_id: int | None
    side: Side | None  # half of the table it lies in
    player: Side | None  # end of the one who touched it, else of the last striker


@dataclass(frozen=True, slots=True)
class Stroke:
    """A touch by a racket, as the player would speak of it."""

    stroke_id: int
    contact_id: int
    rally_id: int | None
    number: int | None  # 1 is the serve; None where the serve was not seen
    player: Side
    t_s: float
    bounce_id: int | None  # contact_id of the bounce it led to on the other side


@dataclass(frozen=True, slots=True)
class Rally:
    """The arcs of one point."""

    rally_id: int
    t_start_s: float | None  # the serve's racket contact; null where it is outside the clip
    t_end_s: float | None  # first touch after the ball is decided; null outside the clip
    server: Side | None
    n_strokes: int


@dataclass(frozen=True, slots=True, eq=False)
class Play:
    """A clip as play: every contact with rally and player, the strokes and the rallies."""

    contacts: tuple[PlayedContact, ...]
    strokes: tuple[Stroke, ...]
    rallies: tuple[Rally, ...]
