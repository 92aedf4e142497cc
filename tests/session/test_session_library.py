"""A library of sessions: what is found, noticed, filtered, exported, and what cannot break it."""

import csv
import datetime
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from halfvolley.errors import BadInput, StorageError
from halfvolley.match.kinds import guess_kind
from halfvolley.session import many_index, records
from halfvolley.session.many import StrokeFilter, export_strokes, open_library
from halfvolley.session.many_index import INDEX_FILE, INDEX_FOLDER, find_sessions

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from made_session import make_session

HOSTILE = "Bo'; DROP TABLE strokes; --"


def say(folder, **said):
    """Change top-level lines of a session.toml as a person would."""
    path = folder / "session.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    new = [f"{key} = {value}" for key, value in said.items()]
    kept = [line for line in lines if line.split(" = ")[0].lstrip("# ") not in said]
    path.write_text("\n".join([*new, *kept]), encoding="utf-8")


@pytest.fixture(scope="module")
def three(tmp_path_factory):
    """Three evenings of two players, one of them with a name that tries to be a command."""
    top = tmp_path_factory.mktemp("sessions")
    for i, day in enumerate(("2026-01-05", "2026-01-14", "2026-02-03")):
        names = ("Zoë Öz", HOSTILE)
        folder = top / ["a [1]* 'x'", "deep/er/b", "c"][i]
        make_session(folder, rallies=4, seed=i, names=names)
        say(folder, date=day)
    return top


@pytest.fixture
def top(three, tmp_path):
    """A copy that a test may change."""
    without_index = shutil.ignore_patterns(INDEX_FOLDER)
    shutil.copytree(three, tmp_path / "top", ignore=without_index)
    return tmp_path / "top"


def read_of(folder, **said):
    with open_library(folder, **said) as library:
        return library.changes.read, library.changes.gone


# --- finding and noticing ------------------------------------------------------------------------
def test_sessions_are_found_at_any_depth_and_others_named(top):
    (top / "photos" / "more").mkdir(parents=True)
    (top / ".hidden").mkdir()
    (top / "loop").symlink_to(top)
    found = find_sessions(top)
    assert list(found.sessions) == ["a [1]* 'x'", "c", "deep/er/b"]
    assert {name for name, _ in found.others} == {"photos", "loop"}
    assert list(find_sessions(top / "c").sessions) == ["."]
    with pytest.raises(BadInput, match="no such folder"):
        find_sessions(top / "none")


def test_only_what_is_new_changed_or_gone_is_touched(top, monkeypatch):
    assert read_of(top) == (3, 0)

    def never(folder):
        raise AssertionError(f"{folder} was read again")

    with monkeypatch.context() as patch:
        patch.setattr(records, "read_records", never)
        assert read_of(top) == (0, 0)
    say(top / "c", venue="'Elsewhere'")
    make_session(top / "d", rallies=2, seed=9)
    shutil.rmtree(top / "deep")
    assert read_of(top) == (2, 1)
    with open_library(top) as library:
        assert [(s.session, s.venue) for s in library.sessions()] == [
            ("d", "Made hall"), ("a [1]* 'x'", "Made hall"), ("c", "Elsewhere"),
        ]  # fmt: skip
        assert set(library.strokes()["session"].to_pylist()) == {"d", "a [1]* 'x'", "c"}
    assert read_of(top, rebuild=True) == (3, 0)


def test_measuring_again_is_noticed(top):
    read_of(top)
    manifest = top / "c" / "tables" / "manifest.json"
    manifest.write_text(manifest.read_text() + " ")
    assert read_of(top) == (1, 0)


def test_a_run_that_is_broken_off_keeps_what_it_read(top, monkeypatch):
    monkeypatch.setattr(many_index, "AT_ONCE", 1)
    real, order = records.read_records, []

    def impatient(folder):
        order.append(folder.name)
        if len(order) == 3:
            raise KeyboardInterrupt
        return real(folder)

    with monkeypatch.context() as patch:
        patch.setattr(records, "read_records", impatient)
        with pytest.raises(KeyboardInterrupt):
            read_of(top)
    assert read_of(top) == (1, 0)


# --- filters -------------------------------------------------------------------------------------
def by_hand(top, keep):
    """(clip's session, stroke) of all records that a plain function keeps."""
    out = set()
    for name, folder in find_sessions(top).sessions.items():
        made = records.read_records(folder)
        servers = {(r.clip, r.rally_id): r.server for r in made.rallies}
        for s in made.strokes:
            server = servers.get((s.clip, s.rally_id))
            if keep(s, made.session.date, None if server is None else server == s.end):
                out.add((name, s.stroke_id))
    return out


D = datetime.date
CASES = {
    "player": (dict(players=("zoë öz",)), lambda s, d, o: s.player == "Zoë Öz"),
    "spelt otherwise": (dict(players=("Zoe\u0308 O\u0308z",)), lambda s, d, o: s.end == "A"),
    "hostile": (dict(players=(HOSTILE,)), lambda s, d, o: s.player == HOSTILE),
    "kind": (dict(kinds=("drive", "push")),
             lambda s, d, o: guess_kind(s).best in ("drive", "push")),
    "phase": (dict(phases=("third ball",)), lambda s, d, o: s.number == 3),
    "own serve": (dict(own_serve=True), lambda s, d, o: o is True),
    "others' serve": (dict(own_serve=False), lambda s, d, o: o is False),
    "days": (dict(since=D(2026, 1, 14), until=D(2026, 1, 14)),
             lambda s, d, o: d == D(2026, 1, 14)),
    "speed": (dict(min_speed_mps=9.0, max_speed_mps=12.5),
              lambda s, d, o: s.speed_mps is not None and 9.0 <= s.speed_mps.value <= 12.5),
    "zone": (dict(zones=("long left", "short")),
             lambda s, d, o: s.placement is not None and (
                 s.placement.depth_m < 1.37 / 3
                 or (s.placement.depth_m > 2 * 1.37 / 3 and s.placement.right_m < -1.525 / 6))),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_a_filter_lets_through_what_it_says(three, name):
    said, keep = CASES[name]
    wanted = by_hand(three, keep)
    with open_library(three) as library:
        table = library.strokes(StrokeFilter(**said))
        got = set(zip(table["session"].to_pylist(), table["stroke_id"].to_pylist(), strict=True))
        assert got == wanted
        assert library.count(StrokeFilter(**said))[0] == len(wanted)
        assert sum(s.matching for s in library.sessions(StrokeFilter(**said))) == len(wanted)
        assert sum(p.strokes for p in library.players(StrokeFilter(**said))) == len(wanted)
        assert library.strokes().num_rows > len(wanted) > 0


def test_strokes_that_cannot_be_told_are_counted(three):
    missing = by_hand(three, lambda s, d, o: s.placement is None and s.end == "A")
    with open_library(three) as library:
        f = StrokeFilter(players=("Zoë Öz",), zones=("short", "half-long", "long"))
        assert library.count(f)[1] == len(missing) > 0


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (dict(kinds=("drop shot",)), "no kind"), (dict(phases=("fourth",)), "no phase"),
        (dict(zones=("long short",)), "no bounce lies"), (dict(zones=("",)), "no bounce lies"),
        (dict(zones=("x' OR 1=1",)), "no zone"),
        (dict(since=D(2026, 2, 1), until=D(2026, 1, 1)), "no day"),
        (dict(min_speed_mps=9.0, max_speed_mps=2.0), "no speed"),
    ],
)  # fmt: skip
def test_a_filter_that_means_nothing_is_refused(said, words):
    with pytest.raises(BadInput, match=words):
        StrokeFilter(**said)


def test_a_player_that_is_not_there_is_said_with_those_that_are(three):
    with open_library(three) as library, pytest.raises(BadInput, match="there are Bo'; DROP"):
        library.strokes(StrokeFilter(players=("Nobody",)))


def test_ends_without_names_are_no_persons(tmp_path):
    make_session(tmp_path / "s", rallies=2, seed=3, names=("", ""))
    with open_library(tmp_path) as library:
        assert library.strokes().num_rows > 0
        assert library.players() == ()


# --- what is broken ------------------------------------------------------------------------------
def broken_ones(top):
    """Sessions that cannot be used, and a word of the reason."""
    made = top / "c"

    def copy(name):
        shutil.copytree(made, top / name)
        return top / name

    (top / "toml").mkdir()
    (top / "toml" / "session.toml").write_text("= = =")
    (top / "binary").mkdir()
    (top / "binary" / "session.toml").write_bytes(bytes(range(256)))
    shutil.rmtree(copy("unmeasured") / "tables")
    foreign = copy("foreign") / "tables" / "manifest.json"
    foreign.write_text("[1, 2]")
    newer = copy("newer") / "tables" / "manifest.json"
    said = json.loads(newer.read_text())
    newer.write_text(json.dumps(said | {"schema_version": 99}))
    garbled = copy("garbled") / "tables" / "strokes.parquet"
    garbled.write_bytes(bytes(garbled.stat().st_size))
    keyless = copy("keyless") / "tables" / "manifest.json"
    keyless.write_text(json.dumps(said | {"clips": {"evening": {}}}))
    name = copy("name") / "tables" / "manifest.json"
    said["clips"]["evening"]["players"]["A"] = "\ud800"  # half a letter
    name.write_text(json.dumps(said))
    return {
        "toml": "not valid TOML", "binary": "cannot be read", "unmeasured": "no complete result",
        "foreign": "no complete result", "newer": "newer than this program",
        "garbled": "cannot be read", "keyless": "cannot be read", "name": "cannot be read",
    }  # fmt: skip


def test_broken_sessions_are_listed_and_the_others_count(top):
    reasons = broken_ones(top)
    with open_library(top) as library:
        by_name = {s.session: s for s in library.sessions()}
        assert len(by_name) == 3 + len(reasons)
        for name, words in reasons.items():
            assert words in by_name[name].reason, name
            assert by_name[name].strokes == 0
        assert sum(s.reason is None for s in by_name.values()) == 3
    assert read_of(top) == (0, 0)


def test_a_session_that_is_mended_is_noticed(top):
    whole = (top / "c" / "session.toml").read_text()
    (top / "c" / "session.toml").write_text("nonsense")
    with open_library(top) as library:
        assert sum(s.reason is None for s in library.sessions()) == 2
    (top / "c" / "session.toml").write_text(whole)
    assert read_of(top) == (1, 0)


@pytest.mark.parametrize("content", [b"", b"no database at all" * 999])
def test_a_damaged_index_is_built_anew(top, content):
    read_of(top)
    (top / INDEX_FOLDER / INDEX_FILE).write_bytes(content)
    assert read_of(top) == (3, 0)
    assert read_of(top) == (0, 0)


def test_an_index_of_another_version_is_built_anew(top, monkeypatch):
    read_of(top)
    monkeypatch.setattr(many_index, "LIBRARY_VERSION", 99)
    assert read_of(top) == (3, 0)


def test_an_index_that_another_program_holds_is_left_alone(top):
    import duckdb

    read_of(top)
    path = top / INDEX_FOLDER / INDEX_FILE
    code = (
        f"import duckdb; db = duckdb.connect({str(path)!r}); print('held', flush=True); "
        "open(0).read()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with other:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(StorageError, match="another program has"):
            read_of(top)
        other.stdin.close()
    assert read_of(top) == (0, 0)
    with duckdb.connect(path, read_only=True) as db:
        assert db.sql("SELECT count(*) FROM sessions").fetchall() == [(3,)]


def test_an_index_cannot_make_the_engine_read_other_files(three):
    import duckdb

    with open_library(three) as library:
        with pytest.raises(duckdb.Error, match=r"(?i)permission|disabled"):
            library.db.execute("SELECT * FROM read_csv('/etc/hosts')")
        with pytest.raises(duckdb.Error, match=r"(?i)read-only"):
            library.db.execute("DELETE FROM strokes")


def test_the_index_may_lie_elsewhere(top, tmp_path):
    assert read_of(top, index=tmp_path / "index") == (3, 0)
    assert not (top / INDEX_FOLDER).exists()
    assert read_of(top, index=tmp_path / "index") == (0, 0)


def test_a_folder_without_sessions_is_an_answer(tmp_path):
    with open_library(tmp_path) as library:
        assert library.sessions() == library.players() == library.trends() == ()
        assert library.count(StrokeFilter(kinds=("loop",))) == (0, 0)


# --- export --------------------------------------------------------------------------------------
def test_exports_say_the_same_in_three_ways(three, tmp_path):
    import pyarrow.parquet as pq

    with open_library(three) as library:
        table = library.strokes(StrokeFilter(kinds=("serve",)))
    for ending in ("csv", "parquet", "json"):
        export_strokes(table, tmp_path / f"out.{ending}")
    plain = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert pq.read_table(tmp_path / "out.parquet").num_rows == len(plain) == table.num_rows > 3
    with open(tmp_path / "out.csv", newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [r["player"] for r in rows] == [r["player"] for r in plain]
    assert [r["date"] for r in rows] == [r["date"] for r in plain]
    speeds = [(float(r["speed_mps"]), p["speed_mps"]) for r, p in zip(rows, plain, strict=True)]
    assert all(a == pytest.approx(b) for a, b in speeds)


@pytest.mark.parametrize("name", ["out", "out.xlsx"])
def test_another_ending_is_refused(three, tmp_path, name):
    with open_library(three) as library, pytest.raises(BadInput, match=r"\.csv, \.parquet, \.json"):
        export_strokes(library.strokes(), tmp_path / name)
    assert not (tmp_path / name).exists()


# --- weeks ---------------------------------------------------------------------------------------
def test_weeks_hold_the_means_of_their_strokes(three):
    with open_library(three) as library:
        player = next(p for p in library.trends() if p.player == "Zoë Öz")
        speeds = {}
        table = library.strokes(StrokeFilter(players=("Zoë Öz",))).to_pylist()
    for row in table:
        if row["speed_mps"] is not None:
            monday = row["date"] - datetime.timedelta(days=row["date"].weekday())
            speeds.setdefault(monday, []).append(row["speed_mps"])
    speed = player.trends[0]
    assert [w.monday for w in speed.weeks] == sorted(speeds)
    for week in speed.weeks:
        values = speeds[week.monday]
        assert week.n == len(values)
        assert week.mean.value == pytest.approx(sum(values) / len(values))
    assert speed.direction == "unknown"
    assert "too few" in speed.per_week.reason
