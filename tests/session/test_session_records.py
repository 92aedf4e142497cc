"""Records joined from tables: an invented session comes out as it was played."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest

from halfvolley.errors import BadSession
from halfvolley.match import find_feed
from halfvolley.physics import Environment, fly
from halfvolley.session.edit import add_point, set_clip, undo_point
from halfvolley.session.records import read_records
from halfvolley.session.schema import read_session
from halfvolley.session.tables import ClipTables, write_tables

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).parents[1] / "match"))
from made_session import _camera, make_session
from made_touches import drill, flights_of


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_session(tmp_path_factory.mktemp("made") / "s", rallies=14, seed=5)


@pytest.fixture
def folder(tmp_path):
    return make_session(tmp_path / "s", rallies=3, seed=6).folder


def test_winners_are_those_that_were_made(made):
    records = read_records(made.folder)
    found = [r.outcome.winner for r in records.rallies]
    known = [f == true for f, true in zip(found, made.winners, strict=True) if f is not None]
    assert len(known) >= 13
    assert all(known)


def test_strokes_know_where_they_went(made):
    records = read_records(made.folder)
    last = {}
    for stroke in records.strokes:
        last[stroke.rally_id] = stroke
        if stroke.placement is not None:
            assert stroke.fate == "in"
            assert 0 < stroke.placement.depth_m < 1.40
            assert abs(stroke.placement.right_m) < 0.80
    for rally in records.rallies:
        if rally.outcome.how in ("net", "out"):
            assert last[rally.rally_id].fate == rally.outcome.how
            assert last[rally.rally_id].end != rally.outcome.winner
    assert {s.phase for s in records.strokes} == {"serve", "return", "third ball", "rally"}
    given = [s.given_s for s in records.strokes if s.given_s is not None]
    assert 0.15 < np.median(given) < 1.2


def test_clearance_is_the_height_over_the_net(made):
    # an independent reckoning: points along each drawn flight, and a straight line between two
    records = read_records(made.folder)
    compared = 0
    for path in records.paths:
        x, z = path.xyz_m[:, 0], path.xyz_m[:, 2]
        crosses = np.flatnonzero(x[:-1] * x[1:] < 0)
        if path.clearance_m is None or not len(crosses):
            continue
        i = int(crosses[0])
        share = -x[i] / (x[i + 1] - x[i])
        height = z[i] + share * (z[i + 1] - z[i]) - 0.020 - 0.1525
        assert path.clearance_m.value == pytest.approx(height, abs=0.002)
        assert 0.003 < path.clearance_m.sd < 0.08
        compared += 1
    assert compared > 30


def test_a_ball_that_rolls_under_the_table_clears_no_net(folder):
    """Short onto the floor, then below the net: such a flight crosses x = 0 and no net."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = folder / "tables" / "arcs.parquet"
    before = [p for p in read_records(folder).paths if p.clearance_m is not None]
    table = pq.read_table(path)
    low = pa.array(np.full(table.num_rows, -0.60))
    table = table.set_column(table.schema.get_field_index("z0_m"), table.schema.field("z0_m"), low)
    pq.write_table(table, path)
    manifest = folder / "tables" / "manifest.json"
    said = json.loads(manifest.read_text())
    said["files"]["arcs.parquet"] = path.stat().st_size
    manifest.write_text(json.dumps(said))
    assert len(before) > 5
    after = [p for p in read_records(folder).paths if p.clearance_m is not None]
    assert len(after) < len(before) / 2
    assert all(p.clearance_m.value > -0.18 for p in after)


def test_the_clearances_error_is_that_of_many_draws(made):
    import pyarrow.parquet as pq

    row = pq.read_table(made.folder / "tables" / "arcs.parquet").to_pylist()
    path = next(p for p in read_records(made.folder).paths if p.clearance_m is not None)
    row = next(r for r in row if abs(r["t0_s"] - path.t_s[0]) < 1e-9)
    names = ("x0_m", "y0_m", "z0_m", "vx0_mps", "vy0_mps", "vz0_mps", "wx0_radps", "wy0_radps",
             "wz0_radps")  # fmt: skip
    mean = np.array([row[n] for n in names])
    sd = np.sqrt([row[f"cov_{a}_{a}"] for a in ("x", "y", "z", "vx", "vy", "vz", "wx", "wy", "wz")])
    draw, heights = np.random.default_rng(1), []
    air = Environment(drag=row["drag"], lift=row["lift"])
    t = np.linspace(0, 0.5, 401)
    for _ in range(400):
        s = draw.normal(mean, sd)
        xyz = fly(s[:3], s[3:6], s[6:], t, air).xyz_m
        heights.append(np.interp(0.0, np.sign(xyz[-1, 0]) * xyz[:, 0], xyz[:, 2]))
    assert path.clearance_m.sd == pytest.approx(np.std(heights), rel=0.15)


def test_a_persons_word_counts_and_contradictions_are_named(folder):
    before = read_records(folder)
    rally = before.rallies[0]
    other = "B" if rally.outcome.winner == "A" else "A"
    session = add_point(read_session(folder), rally.clip, rally.t_start_s + 0.1, winner=other)
    records = read_records(folder)
    assert records.rallies[0].outcome.winner == other
    assert records.rallies[0].outcome.doubt == "said by a person"
    assert records.notes == ()
    session = add_point(session, rally.clip, rally.t_end_s, winner="let", server="B")
    records = read_records(folder)
    assert records.rallies[0].outcome.how == "let"
    assert records.rallies[0].server == "B"
    assert len(records.notes) == 1 and "points[2]" in records.notes[0]
    assert "the last one counts" in records.notes[0]
    undo_point(undo_point(session))
    assert read_records(folder).rallies == before.rallies
    with pytest.raises(BadSession, match="no word"):
        undo_point(read_session(folder))


def test_a_word_on_no_rally_is_named(folder):
    add_point(read_session(folder), "evening", 0.1, winner="A")
    assert "lies in no rally" in read_records(folder).notes[0]
    with pytest.raises(BadSession, match="no clip is named"):
        add_point(read_session(folder), "morning", 0.1, winner="A")
    with pytest.raises(BadSession, match=r"points\[2\].*winner"):
        add_point(read_session(folder), "evening", 0.1, winner="Ada")


def test_a_match_is_followed_and_players_change_ends(tmp_path):
    made = make_session(tmp_path / "s", rallies=34, seed=8, names=("Ada", "Bo"))
    path = made.folder / "session.toml"
    path.write_text(path.read_text() + "\n[match]\nbest_of = 3\n")
    records = read_records(made.folder)
    assert len(records.score) == 34
    first_game = [s for s in records.score if s.before.games_a + s.before.games_b == 0]
    assert 11 <= len(first_game) < 34
    assert records.rallies[0].names == ("Ada", "Bo")
    turned = [s.before.turned for s in records.score]
    assert turned[0] is False and any(turned)
    i = turned.index(True)
    assert records.rallies[i].names == ("Bo", "Ada")
    mine = next(s for s in records.strokes if s.rally_id == records.rallies[i].rally_id)
    assert mine.player == records.rallies[i].name(mine.end)


@pytest.mark.parametrize(
    ("text", "words"),
    [("[match]\nbest_of = 4", "odd number"), ("[match]\nfirst_server = 'C'", "expected one of"),
     ("[[targets]]\nname = 'x'\ncorners_m = [[0, 1], [1, 1]]", "three or more"),
     ("[[targets]]\nname = 'x'\ncorners_m = [1, 2, 3]", "in metres"),
     ("[[points]]\nclip = 'evening'", "needs t_s"), ("points = [1]", "must be a table")],
)  # fmt: skip
def test_wrong_words_are_named(folder, text, words):
    path = folder / "session.toml"
    old = path.read_text()
    path.write_text(f"{text}\n{old}" if text.startswith("points") else f"{old}\n{text}\n")
    with pytest.raises(BadSession, match=words):
        read_session(folder)


def test_a_session_without_play(tmp_path):
    made = make_session(tmp_path / "s", rallies=0, names=("Łucja 李", ""))
    records = read_records(made.folder)
    assert (records.strokes, records.rallies, records.paths) == ((), (), ())
    assert records.notes == ()


# --- practice ------------------------------------------------------------------------------------
def of_kind(folder, kind):
    session = read_session(folder)
    return set_clip(session, session.clips[0].name, kind=kind)


def test_of_practised_serves_nobody_wins_a_point(folder):
    before = read_records(folder)
    of_kind(folder, "serves")
    after = read_records(folder)
    assert len(before.rallies) == 3
    assert after.rallies == after.score == ()
    assert [s.fate for s in after.strokes] == [s.fate for s in before.strokes]
    assert [s.phase for s in after.strokes] == [s.phase for s in before.strokes]


def test_strokes_at_fed_balls_know_where_they_went(folder):
    session = of_kind(folder, "feed")
    flights = flights_of(drill(10))
    tables = ClipTables(session.clips[0], _camera(), flights, find_feed(flights), ())
    write_tables(session, [tables], {}, "fed")
    records = read_records(folder)
    assert records.rallies == ()
    assert [s.fate for s in records.strokes] == ["in", "out", "net", "in"] * 2
    assert {s.player for s in records.strokes} == {"Ada"}
    assert {s.phase for s in records.strokes} == {"unknown"}
    assert [s.waited_s for s in records.strokes] == pytest.approx([0.3] * 8)
    assert all(s.given_s is None for s in records.strokes)
    placed = [s.placement is not None for s in records.strokes]
    assert placed == [s.fate == "in" for s in records.strokes]
