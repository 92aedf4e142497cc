"""The benchmark of the library on a few sessions: it must time what it says it times."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import library

from halfvolley.session.many import StrokeFilter, open_library


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    top = tmp_path_factory.mktemp("library")
    library.make_sessions(top, 14)
    return top / "sessions"


def test_sessions_have_own_players_and_days(folder):
    with open_library(folder) as opened:
        sessions = opened.sessions()
        assert len(sessions) == 14
        assert all(s.reason is None and s.strokes > 40 for s in sessions)
        assert len({s.date for s in sessions}) == 5
        assert {p.player for p in opened.players()} == set(library.NAMES)
        all_strokes = opened.count()[0]
        for _, wanted in library.FILTERS:
            assert library.ask(opened, wanted) <= all_strokes
        assert library.ask(opened, StrokeFilter(players=("Ada",))) > 20


def test_the_table_has_every_line(folder):
    rows = {row[0]: row[2] for row in library.measure_library(folder)}
    assert rows["sessions"] == "14"
    assert float(rows["one session changed, s"]) < 30
    filters = [value for name, value in rows.items() if name.startswith("one filter")]
    assert len(filters) == 3
    for value in filters:
        assert 0 < float(value.split()[0]) < 30
    assert float(rows["the whole command, one filter, s"].split()[0]) > 0.1


def test_a_session_that_changed_would_be_noticed(folder):
    path = next(folder.rglob("session.toml"))
    path.write_text(path.read_text() + "\n")
    with pytest.raises(RuntimeError, match="1 sessions were read again"):
        library.look(folder)
