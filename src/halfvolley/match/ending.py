"""When a rally began or ended, and how, where the touch that says so was not seen."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from halfvolley.match.foretell import (
    HALF_LENGTH_M,
    HALF_WIDTH_M,
    Fate,
    ForetellSettings,
    R,
    View,
    Way,
    edge_gap_m,
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
from halfvolley.match.touches import at_foot_of_net, falls_back
from halfvolley.physics import Environment
from halfvolley.types import NOT_SEEN, Arc, Contact, Flights, Moment, Outcome, PlayedContact, Side

MEASURED = OutcomeSettings()
GONE = ("out", "missed")  # after these, the ball is away from the table
FEWEST_ROWS = 6  # sightings of a flight that is believed
NEAR_S = 0.05  # between a foretold touch and the one that it was
EDGE = Outcome(None, "unknown", 0.0, "it may have touched the edge")
DRAWN = OutcomeSettings(bounce=1.0, floor=1.0, unbounced=1.0)  # no touch of a draw is missed


@dataclass(frozen=True, slots=True)
class EndSettings:
    """How far a foretold end is believed; set on made clips."""

    alone: float = 0.98  # nobody touched the ball where it could not be seen
    lost_s: float = 0.25  # a ball in sight that is not seen so long: something befell it
    answer_s: float = 0.3  # so long after the ball would be dead, a return is in sight again
    answered: float = 0.5  # that a ball was returned, where nothing tells
    sure: float = 0.9  # an outcome that was seen less surely is held against the flight before
    edge_m: float = 0.05  # a flight that passes the edge this near may have touched it,
    bent_rms: float = 1.3  # if it fits no better than this; 3 sd of 30 sightings
    again: float = 0.7  # that a ball over the table is the one that was foretold to be gone
    again_s: float = 1.2  # so long after
    landed_s: float = 0.1  # between a touch of the floor that was seen and one that was foretold,
    landed_m: float = 0.3  # and so far apart, beyond what their own errors say
    landed_draws: float = 0.02  # at least this share of the draws must lead there
    foretell: ForetellSettings = field(default_factory=ForetellSettings)


@dataclass(frozen=True, slots=True)
class Ending:
    """A foretold end."""

    moment: Moment
    outcome: Outcome
    trust: float  # that nothing unseen came between
    landed: Contact | None = None  # where it was seen to happen

    def doubted(self, factor: float) -> "Ending":
        """The same, less sure by a factor."""
        o = self.outcome
        sure = _if_sure(replace(o, probability=factor * o.probability))
        return Ending(self.moment, sure, factor * self.trust)


def foretold_end(
    way: Way, view: View | None, environment: Environment, settings: EndSettings,
    rng: np.random.Generator, later: Sequence[Contact] = (),
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
    later : sequence of Contact
        Touches that were seen after the flight, of whatever ball.

    Returns
    -------
    Ending or None
        None where hardly any draw is decided.

    Notes
    -----
    The time is the median of the draws and its standard deviation half of the span of their middle
    68 %. The outcome is the most frequent one. It is doubted where the ball would have been in
    sight and was not seen, where a player could have returned it and the clip ends before that
    would show, and where even its good bounce was not seen. None of this where a ball met the floor
    when and where some draws do: it was this ball, and those are the draws that count.
    """
    fates = foretell(way, environment, settings.foretell, rng)
    if 2 * len(fates) < settings.foretell.draws:
        return None
    landed = _landed(fates, later, settings)
    if landed is not None:
        floor, alike = landed
        moment = Moment(floor.t_s, floor.t_sd_s, True)
        return Ending(moment, _outcome(way, alike, settings.alone), settings.alone, floor)
    t = np.array([f.t_s for f in fates])
    low, middle, high = np.quantile(t, [0.16, 0.5, 0.84])
    trust = settings.alone
    if view is not None:
        trust *= _trust(way, fates, view, environment, settings)
    moment = Moment(float(middle), max(float(0.5 * (high - low)), 1e-3), False)
    return Ending(moment, _outcome(way, fates, trust), trust)


def _landed(
    fates: Sequence[Fate], later: Sequence[Contact], settings: EndSettings
) -> tuple[Contact, list[Fate]] | None:
    """The touch of the floor that was foretold, and the draws that end there; None: not seen."""
    floored = [f for f in fates if f.touches[-1].kind == "floor"]
    best: tuple[Contact, list[Fate]] | None = None
    for contact in later:
        sd_m = float(np.sqrt(np.trace(contact.cov_xyz_m2)))
        if contact.kind != "floor" or sd_m > settings.landed_m:
            continue
        near_m = settings.landed_m + 2.0 * sd_m
        alike = [
            f
            for f in floored
            if abs(f.t_s - contact.t_s) < settings.landed_s
            and np.linalg.norm(f.xyz_m - contact.xyz_m) < near_m
        ]
        if len(alike) > max(settings.landed_draws * len(fates), len(best[1]) if best else 0):
            best = contact, alike
    return best


def _trust(
    way: Way, fates: tuple[Fate, ...], view: View, environment: Environment, settings: EndSettings
) -> float:
    first = float(np.median([f.first_s for f in fates]))
    unseen_s = seconds_in_sight(way, first, view, environment)
    trust = float(np.exp(-unseen_s / settings.lost_s))
    good = sum(_may_be_returned(way, f) for f in fates) / len(fates)
    if view.until_s < first + settings.answer_s or not _has_bounced(way):
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


def _outcome(way: Way, fates: Sequence[Fate], trust: float) -> Outcome:
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
    doubt = "foretold from its last flight"
    return _if_sure(Outcome(usual.winner, usual.how, probability, doubt))


def _if_sure(outcome: Outcome) -> Outcome:
    """The outcome, or unknown where it is too unsure."""
    if outcome.how == "unknown" or outcome.probability >= MEASURED.least:
        return outcome
    sure = 100.0 * outcome.probability
    return Outcome(None, "unknown", 0.0, f"{outcome.doubt}, it is only {sure:.0f} % sure")


def _agreed(seen: Outcome, foretold: Outcome) -> Outcome:
    """One outcome of two readings."""
    if seen.how != "unknown" and (seen.winner, seen.how == "let") != (
        foretold.winner, foretold.how == "let"
    ):  # fmt: skip
        return Outcome(None, "unknown", 0.0, "its last touches and the flight before disagree")
    return max(seen, foretold, key=lambda o: o.probability)


def _earlier(one: Moment | None, two: Moment | None) -> Moment | None:
    known = [m for m in (one, two) if m is not None]
    return min(known, key=lambda m: m.t_s) if known else None


def _touch_near(known: Sequence[PlayedContact], foretold: Moment) -> Moment | None:
    """The touch that was seen about when one was foretold."""
    slack = max(2.0 * foretold.t_sd_s, NEAR_S)
    near = [c.contact for c in known if abs(c.contact.t_s - foretold.t_s) < slack]
    if not near:
        return None
    best = min(near, key=lambda c: abs(c.t_s - foretold.t_s))
    return Moment(best.t_s, best.t_sd_s, True)


class Foresight:
    """Foretells beginnings and ends of rallies from the flights of a clip."""

    def __init__(
        self, flights: Flights, view: View, environment: Environment, settings: EndSettings
    ) -> None:
        self._arcs = {arc.arc_id: arc for arc in flights.arcs}
        self._contacts = flights.contacts
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
        if in_sight:
            return foretold_end(way, None, self._environment, self._settings, rng)
        later = [c for c in self._contacts if c.t_s > way.from_s + NEAR_S]
        ending = foretold_end(way, self._view, self._environment, self._settings, rng, later)
        if ending is None:
            return None
        if ending.landed is not None:
            near_edge = self._passes_edge(arc, ending.moment.t_s)
            return replace(ending, outcome=EDGE) if near_edge else ending
        if ending.outcome.how in GONE and self._seen_again(way):
            return ending.doubted(1.0 - self._settings.again)
        return ending

    def told(self, ending: Ending) -> Moment | None:
        """When it ended; None where that is not sure enough, or after the clip."""
        sure = ending.trust >= MEASURED.least and ending.moment.t_s <= self._view.until_s
        return ending.moment if sure else None

    def conclude(
        self, known: Sequence[PlayedContact], end: Moment | None, foretold: Ending | None, *,
        serving: bool,
    ) -> tuple[Moment | None, Outcome, Contact | None]:  # fmt: skip
        """When and how a rally ended, and the touch of another chain that ended it, if one did.

        Parameters
        ----------
        known : sequence of PlayedContact
            Its touches, at least one.
        end : Moment, optional
            Of the last, where it decides the rally.
        foretold : Ending, optional
            If that is known already.
        serving : bool
            Whether the first stroke is the serve.
        """
        fallen = self._fallen(known, serving)
        if fallen is not None:
            after, ending = fallen
            if end is None or known[-1].contact.kind != "floor":
                end = _earlier(end, _touch_near(after, ending.moment) or self.told(ending))
            return end, ending.outcome, None
        if end is not None:
            return end, self._read(known, serving=serving), None
        last = foretold or self.end(known, serving=serving)
        if last is None:
            return None, NOT_SEEN, None
        return self.told(last), last.outcome, last.landed

    def _fallen(
        self, known: Sequence[PlayedContact], serving: bool
    ) -> tuple[Sequence[PlayedContact], Ending] | None:
        """Touches after a ball fell back from the net, and its end as the flight there foretells.

        What follows at the net is seen too briefly to tell much.
        """
        striker = known[-1].player
        if striker is None:
            return None
        last, _ = since_last_stroke([Touch.of(c) for c in known], striker)
        for i in range(len(known) - len(last) + 1, len(known)):
            contact = known[i].contact
            if contact.kind == "net" and falls_back(contact, 1 if striker == "A" else -1):
                ending = self.end(known[:i], serving=serving, in_sight=True)
                if ending is not None and ending.outcome.how == "net":
                    return known[i if at_foot_of_net(contact) else i + 1 :], ending
        return None

    def _read(self, known: Sequence[PlayedContact], *, serving: bool) -> Outcome:
        """The outcome of a rally that ended in sight.

        Where a touch that decides it is doubtful, the flight that led there is asked as well: what
        it foretells bears the touch out, or contradicts it.
        """
        touches = [Touch.of(c) for c in known]
        measured = judge(touches, serving=serving, settings=MEASURED)
        striker = known[-1].player
        if measured.how == "out" and self._brushed(known[-1].contact):
            return EDGE
        if measured.probability < self._settings.sure and striker is not None:
            last, _ = since_last_stroke(touches, striker)
            doubtful = min(range(len(last)), key=lambda i: last[i].probability)
            before = known[: len(known) - len(last) + doubtful]
            # a flight is not known to the millimetres that tell an edge from a miss
            ask = doubtful > 0 and last[doubtful].kind != "edge"
            foretold = self.end(before, serving=serving, in_sight=True) if ask else None
            if foretold is not None and foretold.outcome.how != "unknown":
                return _agreed(measured, foretold.outcome)
        return find_outcome(touches, ended=True, serving=serving)

    def _brushed(self, down: Contact) -> bool:
        """Whether the flight to a touch beside the table may have touched the table's edge."""
        arc = self._arcs.get(down.arc_in)
        if arc is None or arc.residual_rms < self._settings.bent_rms:
            return False  # one flight from the stroke on: nothing turned it
        return self._passes_edge(arc, arc.t1_s)

    def _passes_edge(self, arc: Arc, until_s: float) -> bool:
        """Whether a flight, if it goes on so long, passes near enough to the edge to touch it."""
        gap_m = edge_gap_m(arc, self._environment, until_s)
        return -R < gap_m < R + self._settings.edge_m

    def _seen_again(self, way: Way) -> bool:
        """Whether a ball flies over the table soon after this one was seen last."""
        soon = way.from_s + NEAR_S, way.from_s + self._settings.again_s
        return any(
            soon[0] < arc.t0_s < soon[1] and len(arc.rows) >= FEWEST_ROWS and _crosses_table(arc)
            for arc in self._arcs.values()
        )


def _crosses_table(arc: Arc) -> bool:
    """Whether a flight starts over the table or comes over it at some speed."""
    x, y, z = arc.xyz_m
    over = abs(x) < HALF_LENGTH_M and abs(y) < 2 * HALF_WIDTH_M and z > 0.0
    return bool(over and abs(arc.v_mps[0]) > 2.0)
