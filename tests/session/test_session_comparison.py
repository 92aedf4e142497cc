"""Which strokes are held against which, and that nothing is called a difference by chance."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from halfvolley.cli import app
from halfvolley.errors import BadInput, BadSession
from halfvolley.session.comparison import compare_sessions
from halfvolley.session.many import StrokeFilter
from halfvolley.session.records import read_records

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from made_session import Style, make_session

FAST, SLOW = Style(14.0, 60.0, error=0.08), Style(9.0, 20.0, error=0.08)


@pytest.fixture(scope="module")
def top(tmp_path_factory):
    """Two like evenings, one on which Ada played slower, and one without names."""
    top = tmp_path_factory.mktemp("evenings")
    plays = {"one": (FAST, SLOW), "two": (FAST, SLOW), "slow": (SLOW, SLOW)}
    for i, (name, styles) in enumerate(plays.items()):
        make_session(top / name, rallies=12, seed=i, styles=styles)
    make_session(top / "unnamed", rallies=6, seed=7, names=("", ""))
    return top


def verdicts(comparison):
    return {d.what: d.verdict for d in comparison.differences}


def test_two_players_of_one_session(top):
    compared = compare_sessions([top / "one"])
    (c,) = compared.comparisons
    assert (compared.by, c.a.label, c.b.label) == ("players", "Ada", "Bo")
    assert verdicts(c)["speed"] == verdicts(c)["topspin"] == "more"
    own = [s.speed_mps.value for s in read_records(top / "one").strokes
           if s.player == "Ada" and s.speed_mps]  # fmt: skip
    assert c.differences[0].a == pytest.approx(np.mean(own))
    assert c.differences[0].n_a == len(own)


def test_ends_without_names_are_players_of_their_own_session_only(top):
    (c,) = compare_sessions([top / "unnamed"]).comparisons
    assert (c.a.label, c.b.label) == ("A", "B")
    with pytest.raises(BadInput, match="no player is named in two"):
        compare_sessions([top / "unnamed", top / "one"])
    pooled = compare_sessions([top / "unnamed", top / "one"], by="players")
    assert [(c.a.label, c.b.label) for c in pooled.comparisons] == [("Ada", "Bo")]


def test_a_player_in_several_sessions(top):
    compared = compare_sessions([top / "one", top / "two", top / "slow"],
                                wanted=StrokeFilter(players=("ADA",)))  # fmt: skip
    said = {(c.a.label, c.b.label): verdicts(c)["speed"] for c in compared.comparisons}
    assert said == {
        ("Ada, one", "Ada, two"): "not shown",
        ("Ada, one", "Ada, slow"): "more",
        ("Ada, two", "Ada, slow"): "more",
    }
    assert compared.looks == 21


def test_p_is_adjusted_for_everything_that_is_looked_at(top):
    alone = compare_sessions([top / "one", top / "slow"]).comparisons[0].differences[0].p
    more = compare_sessions([top / "one", top / "slow", top / "two"]).comparisons
    with_more = next(c for c in more if c.b.label == "Ada, slow" and c.a.label == "Ada, one")
    assert with_more.differences[0].p > alone


def test_halves_are_those_of_the_rallies(top):
    compared = compare_sessions([top / "one"], by="halves")
    rallies = read_records(top / "one").rallies
    first = {r.rally_id for r in rallies[: len(rallies) // 2]}
    for c in compared.comparisons:
        assert {s.rally_id for s in c.a.strokes} <= first
        assert not {s.rally_id for s in c.b.strokes} & first
    assert {c.a.label for c in compared.comparisons} == {"Ada, first half", "Bo, first half"}


def test_phases_and_kinds_choose_strokes(top):
    (c,) = compare_sessions([top / "one"], wanted=StrokeFilter(phases=("serve",))).comparisons
    assert {s.number for s in (*c.a.strokes, *c.b.strokes)} == {1}
    with pytest.raises(
        BadInput, match="nothing to compare by players: there are strokes of nobody"
    ):
        compare_sessions([top / "one"], wanted=StrokeFilter(players=("Cleo",)))


def test_what_cannot_be_compared_says_why(top, tmp_path):
    with pytest.raises(BadInput, match="given twice"):
        compare_sessions([top / "one", top / "two" / ".." / "one"])
    with pytest.raises(BadSession, match="no such session"):
        compare_sessions([tmp_path / "none"])


def test_few_strokes_are_unknown_not_equal(tmp_path):
    make_session(tmp_path / "s", rallies=1, seed=3)
    few = StrokeFilter(phases=("third ball",))  # one for each rally
    (c,) = compare_sessions([tmp_path / "s"], wanted=few, by="halves").comparisons
    assert set(verdicts(c).values()) == {"unknown"}
    words = ["compare", str(tmp_path / "s"), "--phase", "third ball", "--by", "halves"]
    shown = CliRunner().invoke(app, words)
    assert shown.exit_code == 0
    assert "Too little was measured to compare them" in shown.stdout
    assert "looked at together" not in shown.stdout


def test_sessions_of_one_style_seldom_differ(tmp_path):
    """The control for the whole command: like play on ten pairs of evenings."""
    same = Style(11.0, 35.0)
    for i in range(5):
        make_session(tmp_path / f"{i}", rallies=8, seed=100 + i, styles=(same, same))
    compared = compare_sessions([tmp_path / f"{i}" for i in range(5)])
    called = [
        d for c in compared.comparisons for d in c.differences if d.verdict in ("more", "less")
    ]
    assert compared.looks > 100
    assert len(called) <= 1


def test_the_command_says_it_in_plain_words_and_for_machines(top):
    words = CliRunner().invoke(app, ["compare", str(top / "one")])
    assert words.exit_code == 0, words.output
    assert "Speed: larger for Ada, by " in words.stdout
    assert "7 differences were looked at together" in words.stdout
    assert "not the same as equal" in words.stdout
    both = ["compare", str(top / "one"), str(top / "two"), "--json"]
    said = json.loads(CliRunner().invoke(app, both).stdout)
    assert said["by"] == "sessions"
    assert said["looks"] == 14
    assert [c["a"] for c in said["comparisons"]] == ["Ada, one", "Bo, one"]
    assert {"value", "low", "high"} <= set(said["comparisons"][0]["differences"][0]["effect"])


def test_a_smaller_value_is_told_as_a_positive_difference(top):
    words = CliRunner().invoke(app, ["compare", str(top / "slow"), str(top / "one")]).stdout
    line = next(x for x in words.splitlines() if x.startswith("Speed: smaller for Ada, slow, by "))
    by = float(line.split(", by ")[1].split()[0])
    low, high = (float(v) for v in line.split("95 %: ")[1].split(")")[0].split(" to "))
    assert 0 < low < by < high
