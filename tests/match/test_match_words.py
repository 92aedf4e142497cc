"""A person's word on touches: believed, the last one counts, contradictions are named."""

import pytest
from made_touches import flights_of, return_by_b, serve_by_a, touch

from halfvolley.match import TouchWord, find_feed, find_play, hear

PLAYED = [*serve_by_a(1.0), *return_by_b(1.9), touch("racket", 2.6, -1.5, -5.0, 7.0)]


def test_a_touch_that_was_none_takes_no_part():
    flights = flights_of(PLAYED)
    before = find_play(flights)
    assert [s.bounce_id for s in before.strokes[:2]] == [2, 4]
    after = find_play(flights, words=[TouchWord(2.26, none=True)])
    assert [c.contact.contact_id for c in after.contacts] == [0, 1, 2, 3, 5]
    assert after.strokes[1].bounce_id is None, "nothing else takes its place"


def test_who_struck_is_believed():
    flights = flights_of(PLAYED)
    assert [s.player for s in find_play(flights).strokes] == ["A", "B", "A"]
    told = find_play(flights, words=[TouchWord(1.9, player="A")])
    assert told.strokes[1].player == "A"
    assert told.rallies[0].n_strokes > len(told.strokes), "between them B struck unseen"
    fed = find_feed(flights, words=[TouchWord(1.9, player="A")])
    assert [s.player for s in fed.strokes] == ["A", "A", "A"]


@pytest.mark.parametrize(
    ("words", "gone", "strikers", "said"),
    [
        ([TouchWord(1.9, none=True), TouchWord(1.91, player="B")], set(), {3: "B"}, "contradicts"),
        ([TouchWord(1.9, player="B"), TouchWord(1.9, none=True)], {3}, {}, "contradicts"),
        ([TouchWord(1.9, none=True), TouchWord(1.9, none=True)], {3}, {}, ""),
        ([TouchWord(1.75, none=True)], set(), {}, "about no touch"),
    ],
)
def test_the_last_word_counts_and_contradictions_are_named(words, gone, strikers, said):
    heard = hear(flights_of(PLAYED).contacts, words)
    assert heard.gone == gone
    assert heard.strikers == strikers
    assert (said in " ".join(heard.notes)) if said else heard.notes == ()
