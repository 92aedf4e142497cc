"""Play without points: balls fed by a machine or a coach, and serves that nobody returns.

Which of them a clip shows is a person's word. The touches alone only raise the question, where they
fit no match.
"""

from collections.abc import Sequence

from halfvolley.match.settings import PlaySettings
from halfvolley.match.sides import half_of, side_on_table
from halfvolley.match.words import TouchWord, sure_contacts
from halfvolley.types import Contact, Flights, Play, PlayedContact, Side, Stroke

FEWEST = 6  # serves in a row, or strokes; in a match nobody serves more than four times in a row


def find_feed(
    flights: Flights, settings: PlaySettings | None = None, words: Sequence[TouchWord] = ()
) -> Play:
    """Strokes at balls that were fed; there are no rallies.

    Parameters
    ----------
    flights : Flights
        Contacts in time order.
    settings : PlaySettings, optional
        Limits.
    words : sequence of TouchWord
        What a person says of single touches.

    Returns
    -------
    Play
        A racket contact that sends the ball away from its own end is a stroke, and the first
        bounce after it on the other half is where it went. All else is kept as touches of nobody.

    Notes
    -----
    No law binds a ball to the one before it, so that nothing is taken from order: a stroke that was
    not seen is not counted, and one whose ball was not seen to bounce went nobody knows where.
    """
    settings = settings or PlaySettings()
    contacts, whose = sure_contacts(flights, settings, words)
    strokes: list[Stroke] = []
    played: list[PlayedContact] = []
    for i, contact in enumerate(contacts):
        player = whose.striker(contact) if contact.kind == "racket" else None
        if player is not None and contact.contact_id not in whose.said:
            foretold = contact.arc_in == -1  # as the stroke of a serve; fed balls have none
            if foretold or not whose.sends_away(contact, player):
                player = None
        played.append(PlayedContact(contact, None, side_on_table(contact), player))
        if player is not None:
            bounce = _bounce_of(contacts[i + 1 :], player, contact.t_s + settings.max_gap_s)
            strokes.append(
                Stroke(
                    len(strokes) + 1, contact.contact_id, None, None, player, contact.t_s, bounce
                )
            )
    return Play(tuple(played), tuple(strokes), ())


def _bounce_of(later: list[Contact], striker: Side, until_s: float) -> int | None:
    """The bounce on the other half that a stroke led to, over the net as well."""
    first = next((c for c in later if c.kind != "net"), None)
    if first is None or first.t_s > until_s or first.kind not in ("table", "edge"):
        return None
    return first.contact_id if half_of(first) != striker else None


def practice_question(flights: Flights, play: Play, settings: PlaySettings | None = None) -> str:
    """What to ask a person where touches fit no match; "" where they do.

    Parameters
    ----------
    flights : Flights
        Of one clip.
    play : Play
        The same, read as play with rallies.
    settings : PlaySettings, optional
        Limits.
    """
    settings = settings or PlaySettings()
    servers = [r.server for r in play.rallies]
    if len(servers) >= FEWEST and len(set(servers)) == 1 and servers[0] is not None:
        if all(r.n_strokes == 1 for r in play.rallies):
            return (
                f"All {len(servers)} rallies are serves of end {servers[0]} that nobody returned: "
                'if serves were practised, set kind = "serves" for this clip in session.toml; '
                "then nobody wins points."
            )
    strokes = find_feed(flights, settings).strokes
    ends = {s.player for s in strokes}
    if len(strokes) >= FEWEST and len(ends) == 1 and all(s is None for s in servers):
        return (
            f"All {len(strokes)} strokes that were seen are of end {next(iter(ends))}, and no "
            'serve was: if balls were fed, set kind = "feed" for this clip in session.toml; then '
            "no rallies are looked for."
        )
    return ""
