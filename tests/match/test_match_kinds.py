"""Kinds of strokes: typical ones are named, doubtful ones stay unknown."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_records import stroke

from halfvolley.match.kinds import ANY, KINDS, RULES, behind_end_line, guess_kind, kinds_of
from halfvolley.match.records import Estimate


def struck(speed, spin, *, elevation_rad=0.15, spin_sd=4.0, **said):
    return stroke(
        speed_mps=None if speed is None else Estimate(speed, 0.3),
        topspin_revps=None if spin is None else Estimate(spin, spin_sd),
        elevation_rad=Estimate(elevation_rad, 0.02), **said,
    )  # fmt: skip


# textbook and coaching values, no single source: push 5 m/s with 20 rev/s of backspin, drive
# 13/+30, loop 16/+95, smash 25/+15, chop 10/-60 from behind, lob high, flick over the table
@pytest.mark.parametrize(
    ("kind", "item"),
    [
        ("push", struck(5.0, -20.0, behind_m=-0.2)),
        ("drive", struck(13.0, 30.0)),
        ("loop", struck(16.0, 95.0, elevation_rad=0.25)),
        ("smash", struck(25.0, 15.0, elevation_rad=-0.12)),
        ("chop", struck(10.0, -60.0, behind_m=1.2)),
        ("lob", struck(8.0, 20.0, elevation_rad=0.9, behind_m=2.0)),
        ("block", struck(8.0, 4.0, behind_m=-0.05, waited_s=0.08)),
        ("flick", struck(8.5, 30.0, behind_m=-0.5, waited_s=0.25)),
        ("serve", struck(7.0, -30.0, number=1)),
    ],
)
def test_typical_strokes(kind, item):
    guess = guess_kind(item)
    assert guess.best == kind
    assert kinds_of([item]) == [kind]


def test_between_two_kinds_is_unknown_or_less_sure():
    clear = guess_kind(struck(16.0, 100.0)).of("loop")
    between = guess_kind(struck(16.0, 55.0))
    assert clear > 0.9
    assert 0.3 < between.of("loop") < 0.7
    assert 0.3 < between.of("drive") < 0.7


def test_a_vague_spin_is_a_vague_kind():
    sharp, vague = (guess_kind(struck(13.0, 40.0, spin_sd=sd)) for sd in (3.0, 25.0))
    assert sharp.of("drive") > vague.of("drive") + 0.1


def test_what_was_not_measured_leaves_it_open():
    assert guess_kind(struck(None, 30.0)).best == "unknown"
    without = guess_kind(struck(13.0, None))
    assert without.of("drive") < 0.5 and without.best == "unknown"
    assert guess_kind(struck(27.0, None, elevation_rad=-0.1)).best == "smash", "so fast is enough"


@given(
    st.one_of(st.none(), st.floats(0, 40)), st.one_of(st.none(), st.floats(-170, 170)),
    st.floats(-1.5, 1.5), st.one_of(st.none(), st.floats(-1.4, 5)),
    st.one_of(st.none(), st.floats(0, 2)),
)  # fmt: skip
def test_probabilities_sum_to_one(speed, spin, elevation, behind, waited):
    guess = guess_kind(
        struck(speed, spin, elevation_rad=elevation, behind_m=behind, waited_s=waited)
    )
    assert len(guess.probabilities) == len(KINDS)
    assert sum(guess.probabilities) == pytest.approx(1.0)
    assert min(guess.probabilities) >= 0.0


def test_an_impossible_stroke_is_unknown():
    assert guess_kind(struck(2.0, 160.0)).best == "unknown"


def test_every_rule_names_its_source_and_a_touch_over_the_table_is_negative():
    assert all(rule.source for rule in RULES)
    assert behind_end_line(-1.2) == pytest.approx(-0.17)
    assert behind_end_line(1.87) == pytest.approx(0.5)


def test_the_page_shows_the_rules():
    text = (Path(__file__).parents[2] / "docs" / "statistics.md").read_text(encoding="utf-8")

    def cell(limits):
        if limits == ANY:
            return ""
        return f"{limits.low:g} to {limits.high:g}".replace("-", "−")

    shown = [
        [c.strip() for c in line.strip("|").split("|")]
        for line in text.splitlines() if line.startswith("| ")
    ]  # fmt: skip
    for rule in RULES:
        sides = (rule.speed_mps, rule.topspin_revps, rule.elevation_deg, rule.behind_m,
                 rule.waited_s)  # fmt: skip
        row = [rule.kind, *map(cell, sides)]
        assert row in shown, row
