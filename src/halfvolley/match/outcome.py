"""How a rally ended, read from its last touches by the laws; what was not seen stays unknown."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from halfvolley.types import ContactKind, Outcome, PlayedContact, Side

FITTING_ODDS = 8.0  # of a touch that fits the order of play; set on made flights


@dataclass(frozen=True, slots=True)
class Touch:
    """One touch of a rally, as far as its outcome needs it."""

    kind: ContactKind
    half: Side | None  # of the table it lies in; None where it is no touch of the table
    player: Side | None  # who touched it for racket, else who struck last
    probability: float

    @staticmethod
    def of(played: PlayedContact) -> "Touch":
        """A contact with its place in the play, which makes it surer than its flight alone did."""
        p = played.contact.probability
        p /= p + (1.0 - p) / FITTING_ODDS
        return Touch(played.contact.kind, played.side, played.player, p)


@dataclass(frozen=True, slots=True)
class OutcomeSettings:
    """How far the last touches are believed; common practice, no source."""

    bounce: float = 0.98  # a second bounce was the second: one unseen touch between is rare
    floor: float = 0.98  # the bounce before the floor was seen
    unbounced: float = 0.95  # no bounce before the floor: one at the far edge may have been missed
    least: float = 0.6  # less sure than this, the outcome is unknown


def find_outcome(
    touches: Sequence[Touch], *, ended: bool, serving: bool, settings: OutcomeSettings | None = None
) -> Outcome:
    """How a rally ended and who won it.

    Parameters
    ----------
    touches : sequence of Touch
        All touches of the rally in time order, the one that ended it last.
    ended : bool
        Whether the end of the rally was seen.
    serving : bool
        Whether the first stroke is the serve, and no stroke before it was missed.
    settings : OutcomeSettings, optional
        How far the touches are believed.

    Returns
    -------
    Outcome
        With the winner's end; winner None and a reason where the footage cannot tell.

    Notes
    -----
    ITTF Laws 2.5 to 2.10: a good serve touches the own half first; a good return touches the other
    half, also over the net; a point is lost
    by a bounce on the striker's own side, by a ball that leaves without touching the other half,
    and by a second bounce. A serve that touches the net and is otherwise good is a let.
    """
    s = settings or OutcomeSettings()
    if not ended or not touches:
        return _unknown("its end was not seen")
    outcome = judge(touches, serving=serving, settings=s)
    if outcome.how != "unknown" and outcome.probability < s.least:
        sure = 100.0 * outcome.probability
        return _unknown(f"what decides it is only {sure:.0f} % sure")
    return outcome


def judge(touches: Sequence[Touch], *, serving: bool, settings: OutcomeSettings) -> Outcome:
    """The same of a rally that has ended, however unsure.

    Parameters
    ----------
    touches : sequence of Touch
        As in `find_outcome`, at least one.
    serving : bool
        As in `find_outcome`.
    settings : OutcomeSettings
        How far the touches are believed.
    """
    s = settings
    striker = touches[-1].player
    if striker is None:
        return _unknown("nobody knows who struck last")
    last, first_stroke = since_last_stroke(touches, striker)
    serve = serving and first_stroke
    bounces = [t.half for t in last if t.kind in ("table", "edge")]
    short = serve and _without_own_side(last)
    if serve and bounces and bounces[0] == striker:
        bounces = bounces[1:]  # a serve touches the own side first
    other: Side = "B" if striker == "A" else "A"
    netted = any(t.kind == "net" for t in last)
    sure = min(t.probability for t in last)
    over = bool(bounces) and bounces[0] == other
    if short:
        return Outcome(other, "out", sure * s.bounce, "the serve did not touch the own side")
    if serve and netted and over:
        return Outcome(None, "let", sure * s.bounce, "the serve touched the net")
    how: Literal["net", "own side", "out", "double bounce", "missed"]
    if bounces and bounces[0] == striker:
        how, winner, trust = "net" if netted else "own side", other, s.bounce
    elif over and len(bounces) > 1 and bounces[1] == striker:
        return _unknown("somebody struck it back unseen")
    elif over and len(bounces) > 1:
        how, winner, trust = "double bounce", striker, s.bounce
    elif over and last[-1].kind not in ("table", "edge"):
        how, winner, trust = "missed", striker, s.floor
    elif not bounces and last[-1].kind == "net":  # the last seen of it: it fell back
        how, winner, trust = "net", other, s.floor
    elif not bounces and last[-1].kind not in ("table", "edge", "racket"):
        how, winner, trust = "net" if netted else "out", other, s.unbounced
    else:
        return _unknown("the touches that decide it were not seen")
    return Outcome(winner, how, sure * trust)


def is_decided(touches: Sequence[Touch], *, serving: bool) -> bool:
    """Whether the last of some touches decides the rally.

    Parameters
    ----------
    touches : sequence of Touch
        As in `find_outcome`, at least one; nobody is unknown to have struck last.
    serving : bool
        As in `find_outcome`.
    """
    striker = touches[-1].player
    if touches[-1].kind in ("floor", "other") or striker is None:
        return True
    last, first_stroke = since_last_stroke(touches, striker)
    bounces = [t.half for t in last if t.kind in ("table", "edge")]
    if serving and first_stroke:
        if _without_own_side(last):
            return True
        bounces = bounces[1:] if bounces and bounces[0] == striker else bounces
    return len(bounces) > 1 or striker in bounces


def _without_own_side(serve: Sequence[Touch]) -> bool:
    """Whether a serve that was struck in sight ends with its first bounce, on the other side.

    A rally ends there by the laws only if the serve touched nothing before: a fault.
    """
    bounces = [t for t in serve if t.kind in ("table", "edge")]
    return (
        serve[0].kind == "racket" and len(bounces) == 1 and bounces[0] is serve[-1]
        and bounces[0].half != serve[0].player
    )  # fmt: skip


def since_last_stroke(touches: Sequence[Touch], striker: Side) -> tuple[list[Touch], bool]:
    """Touches since the last stroke, seen or not, and whether it was the rally's first.

    Parameters
    ----------
    touches : sequence of Touch
        As in `find_outcome`.
    striker : {"A", "B"}
        Who struck last.
    """
    start = len(touches)
    while start > 0 and touches[start - 1].player == striker:
        start -= 1
        if touches[start].kind == "racket":
            break
    before = [t for t in touches[:start] if t.player is not None]
    return list(touches[start:]), not before


def _unknown(why: str) -> Outcome:
    return Outcome(None, "unknown", 0.0, why)
