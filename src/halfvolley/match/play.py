"""Flights as play: which rally a contact belongs to, who struck, when a rally began and ended.

The rules are those of the game: a serve is a racket contact followed by a bounce on the server's
own side and one on the other side; the ball is decided by a second bounce on one side, by the
floor, by anything that is not table, net or racket, and by a bounce on the striker's own side.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from halfvolley.match.ending import Ending, Foresight
from halfvolley.match.foretell import View
from halfvolley.match.outcome import Touch, find_outcome
from halfvolley.match.serves import serve_at
from halfvolley.match.settings import PlaySettings
from halfvolley.match.sides import Whose, half_of, side_on_table
from halfvolley.match.touches import at_foot_of_net, falls_back, in_mid_air, may_follow
from halfvolley.match.words import TouchWord, sure_contacts
from halfvolley.physics import Environment
from halfvolley.types import (
    Contact,
    Flights,
    Moment,
    Play,
    PlayedContact,
    Rally,
    Side,
    Stroke,
)


def find_play(
    flights: Flights,
    settings: PlaySettings | None = None,
    words: Sequence[TouchWord] = (),
    *,
    view: View | None = None,
    environment: Environment | None = None,
) -> Play:
    """Rallies and strokes of a clip, and the place of every contact in them.

    Parameters
    ----------
    flights : Flights
        Contacts in time order.
    settings : PlaySettings, optional
        Limits.
    words : sequence of TouchWord
        What a person says of single touches.
    view : View, optional
        Camera and length of the clip. Without it, nothing is foretold: a rally whose last touch
        was not seen has no end.
    environment : Environment, optional
        Ball and air of the hall, for what is foretold.

    Returns
    -------
    Play
        Contacts that are surer than `min_probability`, in time order; strokes and rallies are
        numbered from 1. What happens between rallies belongs to none.

    Notes
    -----
    A touch that was not seen must not end or join rallies: the striker of a bounce is taken from
    the direction in which the ball arrived, and from the last stroke only where the ball arrived
    too steeply to tell or had touched the net. Where that direction shows that somebody struck
    the ball unseen, the stroke is counted; where a ball comes down on the same side later than any
    ball could, two are. A touch that nothing explains does not end a rally that goes on, and a
    ball that goes to and fro after a rally is the next one. A rally whose serve was not seen has
    no start but what its first flight foretells; where its two bounces were not seen either, no
    server and no stroke numbers. A rally whose end was not seen ends as its last flight foretells
    (`ending`), else, if the ball fell back from the net, there.
    """
    settings = settings or PlaySettings()
    contacts, whose = sure_contacts(flights, settings, words)
    foresight = (
        None
        if view is None
        else Foresight(flights, view, environment or Environment(), settings.end)
    )
    book = _Book(foresight, whose)
    for run in _runs(contacts, settings.max_gap_s):
        _read_run(run, book)
    return book.close()


def _runs(contacts: list[Contact], max_gap_s: float) -> Iterator[list[Contact]]:
    """Contacts that follow each other without a long pause."""
    run: list[Contact] = []
    for contact in contacts:
        if run and contact.t_s - run[-1].t_s > max_gap_s:
            yield run
            run = []
        run.append(contact)
    if run:
        yield run


@dataclass(slots=True)
class _OpenRally:
    """A rally while it is being read."""

    rally_id: int
    start: Moment | None
    server: Side | None
    end: Moment | None = None
    foretold: Ending | None = None
    contacts: list[PlayedContact] = field(default_factory=list)
    strokes: list[int] = field(default_factory=list)  # places in _Book.strokes
    unseen: int = 0  # strokes that must have happened but were not seen
    striker: Side | None = None
    bounce: Contact | None = None  # the last one since the last stroke
    netted: bool = False  # the net was touched since the last stroke
    fell: Moment | None = None  # when it fell back from the net, and nothing followed yet
    serving: bool = False  # the own-side bounce of the serve is still to come

    @property
    def n_strokes(self) -> int:
        return len(self.strokes) + self.unseen

    @property
    def bounced(self) -> Side | None:
        return None if self.bounce is None else half_of(self.bounce)


class _Book:
    """What has been read so far."""

    def __init__(self, foresight: Foresight | None, whose: Whose) -> None:
        self.foresight, self.whose = foresight, whose
        self.contacts: list[PlayedContact] = []
        self.strokes: list[Stroke] = []
        self.rallies: list[_OpenRally] = []

    def open_rally(self, start: Moment | None, server: Side | None) -> _OpenRally:
        rally = _OpenRally(len(self.rallies) + 1, start, server)
        rally.striker = server
        rally.serving = server is not None
        self.rallies.append(rally)
        return rally

    def place(self, contact: Contact, rally: _OpenRally | None, player: Side | None) -> None:
        rally_id = None if rally is None else rally.rally_id
        if rally is None and contact.kind == "racket":
            # out of play a hand touches the ball as often as a racket, and looks the same
            contact = replace(contact, kind="other")
        self.contacts.append(PlayedContact(contact, rally_id, side_on_table(contact), player))
        if rally is not None and player is not None:
            rally.contacts.append(self.contacts[-1])

    def add_stroke(self, contact: Contact, rally: _OpenRally, player: Side) -> None:
        rally.strokes.append(len(self.strokes))
        number = rally.n_strokes if rally.server is not None else None
        self.strokes.append(
            Stroke(
                stroke_id=len(self.strokes) + 1, contact_id=contact.contact_id,
                rally_id=rally.rally_id, number=number, player=player, t_s=contact.t_s,
                bounce_id=None,
            )
        )  # fmt: skip

    def add_bounce(self, contact: Contact, rally: _OpenRally) -> None:
        """The last stroke led to this bounce, if it is the first on the other side."""
        if not rally.strokes:
            return
        stroke = self.strokes[rally.strokes[-1]]
        if stroke.bounce_id is None and half_of(contact) != stroke.player:
            self.strokes[rally.strokes[-1]] = replace(stroke, bounce_id=contact.contact_id)

    def foretell(self, rally: _OpenRally) -> Ending | None:
        """How the rally ends if nothing more is seen of it."""
        if self.foresight is None or not rally.contacts:
            return None
        return self.foresight.end(rally.contacts, serving=rally.server is not None)

    def close(self) -> Play:
        rallies = tuple(self._finished(r) for r in self.rallies)
        contacts = sorted(self.contacts, key=lambda p: p.contact.t_s)
        return Play(tuple(contacts), tuple(self.strokes), rallies)

    def _give_to(self, r: _OpenRally, landed: Contact) -> None:
        """A touch that was out of play belongs to the rally that it ended, and is surer by that."""
        self.contacts = [p for p in self.contacts if p.contact.contact_id != landed.contact_id]
        played = PlayedContact(landed, r.rally_id, None, r.striker)
        sure = replace(landed, probability=Touch.of(played).probability)
        self.contacts.append(replace(played, contact=sure))

    def _finished(self, r: _OpenRally) -> Rally:
        serving = r.server is not None
        end = r.end
        if self.foresight is not None and r.contacts:
            end, outcome, landed = self.foresight.conclude(
                r.contacts, end, r.foretold, serving=serving
            )
            if landed is not None:
                self._give_to(r, landed)
        else:
            end = end or r.fell
            touches = [Touch.of(c) for c in r.contacts]
            outcome = find_outcome(touches, ended=end is not None, serving=serving)
        return Rally(r.rally_id, r.start, end, r.server, r.n_strokes, outcome)


def _read_run(run: list[Contact], book: _Book) -> None:
    """Walk through contacts without a pause; the rally that is on, if any, is `rally`."""
    rally: _OpenRally | None = None
    decided = False
    for i, contact in enumerate(run):
        if rally is not None and _ended_unseen(rally, run, i, book):
            rally, decided = None, True
        serve = serve_at(run, i, book.whose, out_of_play=rally is None)
        if serve is not None:
            start = _moment(contact) if serve.struck else None
            rally = book.open_rally(start, serve.server)
            rally.unseen = int(not serve.struck)
        elif rally is None and (_goes_on if decided else _is_mid_rally)(run, i, book.whose):
            rally = book.open_rally(None, None)
        if rally is None or _is_of_another_ball(rally, run, i):
            book.place(contact, None, None)
            continue
        if contact.kind == "other" and (in_mid_air(contact) or _goes_on(run, i + 1, book.whose)):
            book.place(contact, rally, None)
            continue
        book.place(contact, rally, _touch(contact, rally, book))
        if rally.end is not None:
            rally, decided = None, True


def _is_of_another_ball(rally: _OpenRally, run: list[Contact], i: int) -> bool:
    """Whether contact i lies in another chain, while that of the rally goes on later."""
    if not rally.contacts:
        return False
    own = rally.contacts[-1].contact.chain
    return run[i].chain != own and any(c.chain == own for c in run[i + 1 :])


def _ended_unseen(rally: _OpenRally, run: list[Contact], i: int, book: _Book) -> bool:
    """Whether the rally ended, unseen, before contact i, which belongs to another flight.

    What is foretold of its end is kept in the rally.
    """
    if not rally.contacts or rally.contacts[-1].contact.chain == run[i].chain:
        return False
    ending = book.foretell(rally)
    if ending is None or _goes_on(run, i, book.whose):
        return False
    if ending.outcome.how == "unknown" and not ending.moment.seen:
        return False
    same_s = max(2.0 * ending.moment.t_sd_s, book.whose.limits.same_s)
    if abs(ending.moment.t_s - run[i].t_s) < same_s:
        rally.netted |= ending.outcome.how == "net"  # this is the touch that was foretold
        return False
    rally.foretold = ending
    return ending.moment.t_s < run[i].t_s


def _moment(contact: Contact) -> Moment:
    """When a contact was; foretold where only the flight after it was seen."""
    return Moment(contact.t_s, contact.t_sd_s, contact.arc_in != -1)


def _touch(contact: Contact, rally: _OpenRally, book: _Book) -> Side | None:
    """Enter a touch into the rally, end the rally where it decides it; whose touch it is."""
    rally.fell = None
    if contact.kind == "racket":
        player = book.whose.striker(contact)
        rally.unseen += int(bool(rally.strokes) and player == rally.striker)
        rally.striker, rally.bounce, rally.netted = player, None, False
        book.add_stroke(contact, rally, player)
    elif contact.kind in ("table", "edge"):
        _bounce(contact, rally, book)
    elif contact.kind == "net":
        _change_striker(contact, rally, book.whose)
        rally.netted = True
        if falls_back(contact, 1 if rally.striker == "A" else -1):
            rally.fell = _moment(contact)
            if at_foot_of_net(contact):
                rally.end = rally.fell
    else:
        rally.end = _moment(contact)
    return rally.striker


def _change_striker(contact: Contact, rally: _OpenRally, whose: Whose) -> None:
    """The ball comes from the other side than the last stroke was: somebody struck it unseen."""
    sender = None if rally.netted else whose.sender(contact)
    if sender is not None and sender != rally.striker:
        rally.unseen += int(rally.striker is not None)
        rally.striker, rally.bounce = sender, None


def _bounce(contact: Contact, rally: _OpenRally, book: _Book) -> None:
    half = half_of(contact)
    _change_striker(contact, rally, book.whose)
    if rally.bounce is not None and half == rally.bounced and not may_follow(rally.bounce, contact):
        rally.unseen += 2  # struck back from here, and here again
    elif rally.serving and half == rally.server:
        pass  # a serve touches the own side first
    elif rally.serving and _follows(rally.contacts, contact):
        rally.end = _moment(contact)  # and without that it is a fault
    elif half in (rally.bounced, rally.striker):
        rally.end = _moment(contact)
    else:
        book.add_bounce(contact, rally)
    rally.serving, rally.bounce = False, contact


def _follows(before: list[PlayedContact], contact: Contact) -> bool:
    """Whether flights lead from the last stroke to this contact, with nothing but net between."""
    for played in reversed(before):
        if played.contact.arc_out != contact.arc_in or played.contact.kind not in ("racket", "net"):
            return False
        if played.contact.kind == "racket":
            return True
        contact = played.contact
    return False


def _is_mid_rally(run: list[Contact], i: int, whose: Whose) -> bool:
    """Whether play is on at contact i of a run that has shown no serve.

    A ball that comes over the net, or is struck and then bounces on the other side, is in play.
    """
    if run[i].kind == "racket":
        striker = whose.striker(run[i])
        rest = [c for c in run[i + 1 : i + 3] if c.kind != "net"]
        return bool(rest) and rest[0].kind in ("table", "edge") and half_of(rest[0]) != striker
    sender = whose.sender(run[i])
    return run[i].kind == "table" and sender is not None and sender != half_of(run[i])


def _goes_on(run: list[Contact], i: int, whose: Whose) -> bool:
    """Whether from contact i on the ball goes over the net one way and then the other."""
    senders: list[Side] = []
    for contact in run[i:]:
        if contact.kind == "table":
            sender = whose.sender(contact)
            if sender is None or sender in (half_of(contact), *senders):
                return False
            senders.append(sender)
        if len(senders) == 2 or contact.kind not in ("table", "racket", "net"):
            break
    return len(senders) == 2
