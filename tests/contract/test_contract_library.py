"""`halfvolley library` on the command line: words, files, machines."""

import csv
import json
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from halfvolley.cli import app

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from made_session import make_session


def run(*args):
    return CliRunner().invoke(app, ["library", *map(str, args)])


@pytest.fixture(scope="module")
def top(tmp_path_factory):
    top = tmp_path_factory.mktemp("evenings")
    for i in range(6):
        folder = make_session(top / f"week {i}", rallies=4, seed=i, names=("[red]Ada", "Bo")).folder
        path = folder / "session.toml"
        text = path.read_text(encoding="utf-8").replace(
            "# date = ", f"date = 2026-02-{1 + 4 * i:02d} # "
        )
        path.write_text(text, encoding="utf-8")
    (top / "holiday").mkdir()
    return top


def test_sessions_players_and_what_is_left_out(top):
    result = run(top)
    assert result.exit_code == 0, result.output
    assert "6 sessions, 24 rallies, " in result.stdout
    assert "6 new or changed" in result.stdout
    assert "[red]Ada" in result.stdout, "names are not taken for markup"
    assert "holiday: holds no session" in result.stdout
    again = run(top, "--kind", "serve")
    assert "nothing has changed" in again.stdout
    assert "24 strokes of 6 sessions match" in again.stdout


def test_trends_in_words(top):
    shown = run(top, "--trends", "--player", "bo")
    assert shown.exit_code == 0, shown.output
    assert "speed: no trend shown, " in shown.stdout
    assert "6 sessions, p = " in shown.stdout
    few = run(top, "--trends", "--to", "2026-02-09")
    assert "3 sessions on 3 days are too few for a trend" in few.stdout
    assert "there is no trend" in run(top, "--trends", "--from", "2030-01-01").stdout


def test_machines_get_the_same(top):
    said = json.loads(run(top, "--json", "--trends", "--zone", "long").stdout)
    assert len(said["sessions"]) == 6
    assert said["matching_strokes"] == sum(s["matching"] for s in said["sessions"])
    assert said["no_sessions"] == [
        {"folder": "holiday", "why": "holds no session: no session.toml in it or below"}
    ]
    assert {t["player"] for t in said["trends"]} == {"[red]Ada", "Bo"}


def test_an_export_holds_what_matches(top, tmp_path):
    result = run(top, "--player", "Bo", "--min-speed-mps", 8, "--export", tmp_path / "out.csv")
    with open(tmp_path / "out.csv", newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert f"Wrote {len(rows)} strokes to " in result.stdout
    assert {r["player"] for r in rows} == {"Bo"}
    assert min(float(r["speed_mps"]) for r in rows) >= 8


@pytest.mark.parametrize(
    ("args", "status", "words"),
    [
        (["--kind", "drop shot"], 1, "no kind is called"),
        (["--player", "Zed"], 1, "no player is called 'Zed'"),
        (["--zone", "left right"], 1, "no bounce lies"),
        (["--export", "out.doc"], 1, "give .csv, .parquet, .json"),
        (["--from", "31.1.2026"], 2, "does not match"),
        (["--from", "2026-02-02", "--to", "2026-01-01"], 1, "there is no day"),
    ],
)
def test_bad_input_gets_one_sentence(top, args, status, words):
    result = run(top, *args)
    assert result.exit_code == status
    assert words in result.stderr
    if status == 1:
        assert len(result.stderr.strip().splitlines()) == 1


def test_a_folder_that_is_not_there(tmp_path):
    assert "no such folder" in run(tmp_path / "none").stderr
    assert "0 sessions" in run(tmp_path).stdout
