"""When a rally began or ended, and how, where the touch that says so was not seen."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from halfvolley.match.foretell import (
    HALF_LENGTH_M,
    Fate,
    ForetellSettings,
    View,
    Way,
    foretell,
    seconds_in_sight,
)
from halfvolley.match.outcome import (
    OutcomeSettings,
    Touch,
    find_outcome,
    judge,
    since_last_stroke,
)
from halfvolley.physics import Environment
from halfvolley.types import Contact, Flights, Moment, Outcome, PlayedContact, Side

MEASURED = OutcomeSettings()
DRAWN = OutcomeSettings(bounce=1.0, floor=1.0, unbounced=1.0)  # no touch of a draw is missed


@dataclass(frozen=True, slots=True)
class EndSettings:
    """How far a foretold end is believed; set on made clips."""

    alone: float = 0.97  # nobody touched the ball where it could not be seen
    lost_s: float = 0.25  # a ball in sight that is not seen so long: something befell it
    answer_s: float = 1.0  # a return is seen by then, if there was one
    answered: float = 0.5  # that a ball was returned, where nothing tells
    sure: float = 0.9  # an outcome that was seen less surely is held against the flight before
    behind_m: float = 0.2  # a server strikes so far behind the end line,
    behind_sd_m: float = 0.15  # give or take this
    least_serve_mps: float = 1.5  # slower along the table, a ball is no serve
    foretell: ForetellSettings = field(default_factory=ForetellSettings)


@dataclass(frozen=True, slots=True)
class Ending:
    """A foretold end."""

    moment: Moment
    outcome: Outcome
    trust: float  # that nothing unseen came between


def foretold_end(
    way: Way, view: View | None, environment: Environment, settings: EndSettings,
    rng: np.random.Generator,
) -> Ending | None:  # fmt: skip
    """How the rally ended that a flight leads to the end of.

    Parameters
    ----------
    way : Way
        The flight after the last touch of the rally.
    view : View, optional
        What could have been seen; None where the ball was seen all the time.
    environment : Environment
        Ball and air.
    settings : EndSettings
        How far it is believed.
    rng : numpy.random.Generator
        Source of the draws.

    Returns
    -------
    Ending or None
        None where hardly any draw is decided.

    Notes
    -----
    The time is the median of the draws and its standard deviation half of the span of their middle
    68 %. The outcome is the most frequent one. It is doubted where the ball would have been in
    sight and was not seen, where a player could have returned it and the clip ends before that
    would show, and where even its good bounce was not seen.
    """
    fates = foretell(way, environment, settings.foretell, rng)
    if 2 * len(fates) < settings.foretell.draws:
        return None
    t = np.array([f.t_s for f in fates])
    low, middle, high = np.quantile(t, [0.16, 0.5, 0.84])
    trust = settings.alone
    if view is not None:
        trust *= _trust(way, fates, view, environment, settings)
    moment = Moment(float(middle), max(float(0.5 * (high - low)), 1e-3), False)
    return Ending(moment, _outcome(way, fates, trust), trust)


def _trust(
    way: Way, fates: tuple[Fate, ...], view: View, environment: Environment, settings: EndSettings
) -> float:
    first = float(np.median([f.first_s for f in fates]))
    unseen_s = seconds_in_sight(way, first, view, environment)
    trust = float(np.exp(-unseen_s / settings.lost_s))
    good = sum(_may_be_returned(way, f) for f in fates) / len(fates)
    if view.until_s < way.from_s + settings.answer_s or not _has_bounced(way):
        trust *= 1.0 - settings.answered * good
    return trust


def _has_bounced(way: Way) -> bool:
    """Whether the ball was seen to bounce on the receiver's side."""
    last = way.known[-1]
    return last.kind in ("table", "edge") and last.half != last.player


def _may_be_returned(way: Way, fate: Fate) -> bool:
    """Whether the ball comes to the receiver by the laws."""
    striker = way.known[-1].player
    on_other = any(t.half not in (None, striker) for t in fate.touches)
    return _has_bounced(way) or on_other


def _outcome(way: Way, fates: tuple[Fate, ...], trust: float) -> Outcome:
    """The most frequent outcome of the draws."""
    kinds = Counter(f.touches for f in fates)
    votes: Counter[tuple[Side | None, bool]] = Counter()
    hows: dict[tuple[Side | None, bool], Counter[Outcome]] = {}
    for touches, n in kinds.items():
        one = judge([*way.known, *touches], serving=way.serving, settings=DRAWN)
        if one.how != "unknown":
            key = (one.winner, one.how == "let")
            votes[key] += n
            hows.setdefault(key, Counter())[one] += n
    if not votes:
        return Outcome(None, "unknown", 0.0, "the touches that decide it were not seen")
    key, n = votes.most_common(1)[0]
    usual = hows[key].most_common(1)[0][0]
    probability = usual.probability * trust * n / len(fates)
    if probability < MEASURED.least:
        return Outcome(
            None, "unknown", 0.0,
            f"foretold from its last flight, it is only {100 * probability:.0f} % sure",
        )  # fmt: skip
    return Outcome(usual.winner, usual.how, probability, "foretold from its last flight")


def _agreed(seen: Outcome, foretold: Outcome) -> Outcome:
    """One outcome of two readings."""
    if seen.how != "unknown" and (seen.winner, seen.how == "let") != (
        foretold.winner, foretold.how == "let"
    ):  # fmt: skip
        return Outcome(None, "unknown", 0.0, "its last touches and the flight before disagree")
    return max(seen, foretold, key=lambda o: o.probability)


class Foresight:
    """Foretells beginnings and ends of rallies from the flights of a clip."""

    def __init__(
        self, flights: Flights, view: View, environment: Environment, settings: EndSettings
    ) -> None:
        self._arcs = {arc.arc_id: arc for arc in flights.arcs}
        self._view, self._environment, self._settings = view, environment, settings

    def end(
        self, known: Sequence[PlayedContact], *, serving: bool, in_sight: bool = False
    ) -> Ending | None:
        """How a rally ended after the touches known of it; None where no flight tells.

        Parameters
        ----------
        known : sequence of PlayedContact
            Of the rally, at least one.
        serving : bool
            Whether the first stroke of these is the serve.
        in_sight : bool
            Whether the ball was seen after that flight as well.
        """
        arc = self._arcs.get(known[-1].contact.arc_out)
        if arc is None or known[-1].player is None:
            return None
        way = Way(arc, tuple(Touch.of(c) for c in known), serving)
        rng = np.random.default_rng(0)  # the same answer for the same flight
        view = None if in_sight else self._view
        return foretold_end(way, view, self._environment, self._settings, rng)

    def told(self, ending: Ending) -> Moment | None:
        """When it ended; None where that is not sure enough, or after the clip."""
        sure = ending.trust >= MEASURED.least and ending.moment.t_s <= self._view.until_s
        return ending.moment if sure else None

    def read(self, known: Sequence[PlayedContact], *, serving: bool) -> Outcome:
        """The outcome of a rally that ended in sight.

        Where a touch that decides it is doubtful, the flight that led there is asked as well: what
        it foretells bears the touch out, or contradicts it.
        """
        touches = [Touch.of(c) for c in known]
        measured = judge(touches, serving=serving, settings=MEASURED)
        striker = known[-1].player
        if measured.probability < self._settings.sure and striker is not None:
            last, _ = since_last_stroke(touches, striker)
            doubtful = min(range(len(last)), key=lambda i: last[i].probability)
            before = known[: len(known) - len(last) + doubtful]
            foretold = self.end(before, serving=serving, in_sight=True) if doubtful else None
            if foretold is not None and foretold.outcome.how != "unknown":
                return _agreed(measured, foretold.outcome)
        return find_outcome(touches, ended=True, serving=serving)

    def serve(self, own_bounce: Contact, server: Side) -> Moment | None:
        """When a serve was struck whose first bounce is the first that was seen of it.

        The server strikes behind the own end line (ITTF Law 2.6.4) and before the first sighting.
        """
        arc = self._arcs.get(own_bounce.arc_in)
        out = 1.0 if server == "A" else -1.0
        if arc is None or out * arc.v_mps[0] < self._settings.least_serve_mps:
            return None
        behind = -out * (HALF_LENGTH_M + self._settings.behind_m)
        t_line = arc.t0_s + float((behind - arc.xyz_m[0]) / arc.v_mps[0])
        sd = self._settings.behind_sd_m / abs(float(arc.v_mps[0]))
        return Moment(min(t_line, arc.t0_s), sd, False)
