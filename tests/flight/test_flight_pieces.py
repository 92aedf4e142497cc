"""The search for the runs of a piece that fit, with contacts at known places."""

import itertools

import pytest

from halfvolley.flight.pieces import _search


def runs(n: int, contacts: tuple[int, ...]) -> list[tuple[int, int]]:
    """Runs found among n sightings where nothing that holds a contact fits."""
    search = _search(n)
    try:
        asked = next(search)
        while True:
            inside = any(asked.start < c < asked.stop for c in contacts)
            asked = search.send(not inside or asked.stop - asked.start <= 3)
    except StopIteration as end:
        return [(run.start, run.stop) for run in end.value]


@pytest.mark.parametrize("contacts", [(20,), (9, 30), (5, 11, 18, 40), (20, 27)])
def test_every_flight_between_contacts_is_found_whole(contacts):
    edges = (0, *contacts, 50)
    found = runs(50, contacts)
    for flight in itertools.pairwise(edges):
        assert flight in found


def test_a_piece_without_a_contact_is_one_run():
    assert runs(50, ()) == [(0, 50)]
