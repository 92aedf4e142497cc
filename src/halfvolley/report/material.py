"""What all pages of a report draw from, read once."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from halfvolley.errors import Unknown
from halfvolley.match.intervals import Interval
from halfvolley.match.kinds import KindGuess, guess_kind
from halfvolley.match.records import StrokeRecord
from halfvolley.match.statistics import SessionSummary, Spread, summarise
from halfvolley.report.checks import Checks, read_checks
from halfvolley.report.language import Language
from halfvolley.report.words import DASH
from halfvolley.session.quality import Seen, read_seen
from halfvolley.session.records import Records, read_records


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """A session in numbers, and the language to say them in."""

    records: Records
    statistics: SessionSummary
    kinds: Mapping[tuple[str, int], KindGuess]  # by clip and stroke_id
    seen: Mapping[str, Seen]
    checks: Mapping[str, Checks]
    say: Language

    def name(self, player: str) -> str:
        """A player as the reader knows him or her; an end where no name was given."""
        session = self.records.session
        unnamed = {end for end, name in (("A", session.player_a), ("B", session.player_b))
                   if not name}  # fmt: skip
        return self.say("Player {end}", end=player) if player in unnamed else player

    def strokes_of(self, player: str) -> list[StrokeRecord]:
        """Strokes of a player, also at balls that were fed."""
        return [s for s in self.records.strokes if s.player == player]

    def kind_of(self, stroke: StrokeRecord) -> KindGuess:
        """What kind of stroke it was."""
        return self.kinds[stroke.clip, stroke.stroke_id]

    @property
    def title(self) -> str:
        """Where it was, else the clips' names."""
        names = ", ".join(clip.clip for clip in self.records.summary.clips)
        return self.records.session.venue or names


def read_material(folder: Path, say: Language) -> Material:
    """Everything that a report says of a session's newest result.

    Raises
    ------
    BadSession
        If it is no session, or has no complete result.
    """
    import pyarrow as pa

    records, seen = read_records(folder), read_seen(folder)
    pa.default_memory_pool().release_unused()  # an hour's tables are large, and read by now
    kinds = {(s.clip, s.stroke_id): guess_kind(s) for s in records.strokes}
    return Material(
        records, summarise(records.strokes, records.rallies), kinds, seen, read_checks(folder), say
    )


def percents(share: Interval | Unknown, say: Language) -> str:
    """The interval of a share as a reader meets it."""
    if isinstance(share, Unknown):
        return say("no interval")
    low, high = round(100 * share.low), round(100 * share.high)
    # on one line, wherever the sentence around it is broken
    return say("95 %: {low}–{high} %", low=low, high=high).replace(" ", "\u00a0")


def median_words(
    spread: Spread | Unknown, digits: int, say: Language, *, scale: float = 1.0
) -> str:
    """A median with its interval, as far as there is one."""
    if isinstance(spread, Unknown):
        return DASH
    middle = say.number(scale * spread.median, digits)
    interval = spread.median_interval
    if isinstance(interval, Unknown):
        return middle
    low, high = (say.number(scale * v, digits) for v in (interval.low, interval.high))
    return say("{middle} ({low} to {high})", middle=middle, low=low, high=high)


def count(n: int, one: str, many: str, say: Language, **gaps: object) -> str:
    """A number of things; both sentences have the gap {n}."""
    return say(one if n == 1 else many, n=n, **gaps)
