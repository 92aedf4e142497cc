"""Verdicts in words, rows and the picture of a drop; page and console show them."""

import io
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from halfvolley.camera import MARK_NAMES, Mark, MarksCheck
from halfvolley.errors import Unknown
from halfvolley.flight import DropBounce, Drops
from halfvolley.report.checks import (
    DROP_HEADS,
    GUIDE,
    MARK_HEADS,
    drop_figure,
    drop_rows,
    drop_words,
    mark_rows,
    marks_checks,
    marks_words,
)
from halfvolley.report.console import print_check
from halfvolley.report.figures.save import inline_svg


def check(verdict="agrees", square=9.0):
    marks = tuple(
        Mark(
            name, 1.0 + i, np.array([100.0, 50.0]), np.array([0.1 * i, 0.2]),
            np.array([0.1 * i + 0.003, 0.196]), np.diag([4e-6, 9e-6]),
        )
        for i, name in enumerate(MARK_NAMES[:5])
    )  # fmt: skip
    missing = ((MARK_NAMES[5], "nothing lay still there for a second"),)
    return MarksCheck(marks, missing, 5.0, 5.0, square, 10, 0.5, verdict)


def drops(gravity=9.81, rebound=0.231):
    def bounce(i, v_in, e):
        return DropBounce(
            1, i, i, 0.7 + 0.4 * i, 0.001, np.array([0.3, 0.1]), np.eye(2) * 1e-6, v_in, 0.01,
            e * v_in, 0.01, e, 0.004, 0.3, 0.002, 0.23, 0.002,
        )  # fmt: skip

    bounces = (bounce(1, 2.38, 0.901), bounce(2, 2.1, 0.904), bounce(3, 1.8, 0.907))
    return Drops(
        bounces, 0.925, 0.010, np.diag([1e-5, 1e-5]), 2.36, 0.901, 0.003, rebound, 0.002, gravity,
        0.04, 1.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("verdict", "words"),
    [("agrees", "agrees with what it claims"), ("doubtful", "check once more"),
     ("worse", "worse than it claims")],
)  # fmt: skip
def test_the_camera_is_judged_in_words(verdict, words):
    first, second = marks_words(check(verdict))
    assert "5 marks" in first
    assert "5.0 mm on average" in first
    assert words in first
    assert MARK_NAMES[5] in second
    assert "nothing lay still" in second


def test_too_few_marks_are_said():
    (words,) = marks_words(Unknown("the ball was seen on 1 of 6 marks only"))
    assert "could not be checked" in words
    assert mark_rows(Unknown("x")) == []


def test_rows_have_the_heads_columns():
    rows = mark_rows(check())
    assert [len(r) for r in rows] == [len(MARK_HEADS)] * 6
    assert rows[0] == [MARK_NAMES[0], "5.0", "+3.0", "-4.0", "3.6"]
    assert rows[5][1:] == ["–"] * 4
    rows = drop_rows(drops())
    assert [len(r) for r in rows] == [len(DROP_HEADS)] * 3
    assert rows[0][5] == "0.901 ± 0.004"


@pytest.mark.parametrize(
    ("gravity", "words"),
    [(9.81, "heights and times agree"), (9.72, "agree"), (9.88, "agree"), (9.94, "doubtful by +1"),
     (10.1, "off by +2.7 %"), (9.4, "off by -3.9 %")],
)  # fmt: skip
def test_gravity_is_judged_by_its_own_sd(gravity, words):
    assert words in drop_words(drops(gravity))[2]


@pytest.mark.parametrize(
    ("rebound", "words"),
    [(0.231, "as the laws want it"), (0.218, "as the laws"), (0.20, "slower"), (0.27, "faster")],
)
def test_the_rebound_is_held_against_the_laws(rebound, words):
    assert words in drop_words(drops(rebound=rebound))[1]


def test_no_drop_is_said():
    (words,) = drop_words(Unknown("no ball bounces twice"))
    assert "No drop was measured" in words


def test_the_picture_shows_each_bounce():
    svg = inline_svg(drop_figure(drops()), "drop")
    assert "impact speed in m/s" in svg
    again = inline_svg(drop_figure(drops()), "drop")
    assert again == svg, "the same result gives the same text"
    vague = replace(drops().bounces[2], restitution_sd=0.2)
    fewer = replace(drops(), bounces=(*drops().bounces[:2], vague))
    assert inline_svg(drop_figure(fewer), "drop").count("<use") < svg.count("<use")


def test_the_console_shows_words_and_figures():
    stream = io.StringIO()
    print_check(marks_checks(check()), Console(file=stream, width=160))
    text = stream.getvalue()
    assert "agrees with what it claims" in text
    assert "+3.0" in text


def test_the_guide_names_every_mark_and_the_command():
    for name in MARK_NAMES:
        assert name in GUIDE
    assert "calibrate SESSION --verify --clip" in GUIDE
    assert max(map(len, GUIDE.splitlines())) <= 100
