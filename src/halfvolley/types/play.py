"""Rallies and strokes."""

from dataclasses import dataclass
from typing import Literal

from halfvolley.types.flights import Contact

Side = Literal["A", "B"]
OutcomeKind = Literal["net", "out", "own side", "double bounce", "missed", "let", "unknown"]


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
class Outcome:
    """How a rally ended and who won it."""

    winner: Side | None  # the end; None where the footage cannot tell, and after a let
    how: OutcomeKind
    probability: float  # that the winner, or the let, is right; 0 where unknown
    doubt: str = ""  # why it is not known, or not surely


NOT_SEEN = Outcome(None, "unknown", 0.0, "its end was not seen")


@dataclass(frozen=True, slots=True)
class Moment:
    """When a rally began or ended."""

    t_s: float
    t_sd_s: float
    seen: bool  # a measured contact; else foretold from a flight that leads to it or from it


@dataclass(frozen=True, slots=True)
class Rally:
    """The arcs of one point."""

    rally_id: int
    start: Moment | None  # the serve's racket contact; None where it is outside the clip
    end: Moment | None  # first touch after the ball is decided; None outside the clip
    server: Side | None
    n_strokes: int
    outcome: Outcome = NOT_SEEN

    @property
    def t_start_s(self) -> float | None:
        """When it began [s]."""
        return None if self.start is None else self.start.t_s

    @property
    def t_end_s(self) -> float | None:
        """When it ended [s]."""
        return None if self.end is None else self.end.t_s


@dataclass(frozen=True, slots=True, eq=False)
class Play:
    """A clip as play: every contact with rally and player, the strokes and the rallies."""

    contacts: tuple[PlayedContact, ...]
    strokes: tuple[Stroke, ...]
    rallies: tuple[Rally, ...]
