"""The map, the page and the words: what is drawn is what was measured."""

import io
import math
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from halfvolley.report.console import print_summary
from halfvolley.report.court import K95, ellipse_95, error_95_mm, finding
from halfvolley.report.figures.overview import overview_figure
from halfvolley.report.figures.save import alone
from halfvolley.report.language import Language
from halfvolley.report.words import DASH, with_sd
from halfvolley.session.read import CameraRow, ClipSummary, ContactRow, RallyRow, StrokeRow, Summary

NOTHING = dict.fromkeys(
    ("speed_in_mps", "speed_in_sd_mps", "speed_out_mps", "speed_out_sd_mps", "spin_in_revps",
     "spin_in_sd_revps", "spin_out_revps", "spin_out_sd_revps")
)  # fmt: skip


def contact(contact_id=0, kind="table", x_m=0.7, y_m=-0.3, **said) -> ContactRow:
    values = {
        "clip": "a", "contact_id": contact_id, "rally_id": 1, "kind": kind, "t_s": 1.0 + contact_id,
        "t_sd_s": 0.001, "x_m": x_m, "y_m": y_m, "z_m": 0.0, "cov_xx_m2": 4e-6,
        "cov_xy_m2": 1.5e-6, "cov_yy_m2": 1e-6, "side": "B" if x_m > 0 else "A", "player": "A",
        "probability": 0.9,
    }  # fmt: skip
    return ContactRow(**(NOTHING | values | said))


def clip(contacts=(), rallies=(), strokes=(), warnings=(), **said) -> ClipSummary:
    camera = CameraRow((0.2, -4.5, 1.5), 0.2, 1.1, 0.011, 0.001, 0.002, 0.0003, "estimated")
    values = {"clip": "a", "player_a": "Ada", "player_b": "",
              "contacts": tuple(contacts), "strokes": tuple(strokes), "rallies": tuple(rallies),
              "camera": camera, "warnings": tuple(warnings)}  # fmt: skip
    return ClipSummary(**(values | said))


def summary(*clips, failed=()) -> Summary:
    return Summary(Path("/x"), "run", tuple(clips), tuple(failed))


def test_ellipse_of_the_worked_example():
    # facts: cov [[4, 1.5], [1.5, 1]] has semi-axes 5.261984 and 1.506269 at 95 %, angle 22.5 deg;
    # computed with numpy's eigh and the chi-square quantile 5.9915
    long, short, angle = ellipse_95(contact(cov_xx_m2=4.0, cov_xy_m2=1.5, cov_yy_m2=1.0))
    assert (long, short) == pytest.approx((5.261984, 1.506269), abs=2e-4)
    assert math.degrees(angle) % 180 == pytest.approx(22.5)


def test_the_factor_holds_95_percent_of_two_coordinates():
    rng = np.random.default_rng(8)
    cov = np.array([[4.0, 1.5], [1.5, 1.0]])
    points = rng.multivariate_normal([0, 0], cov, 40_000)
    inside = np.einsum("ni,ij,nj->n", points, np.linalg.inv(cov), points) < K95**2
    assert np.mean(inside) == pytest.approx(0.95, abs=0.005)
    with_1_96 = np.einsum("ni,ij,nj->n", points, np.linalg.inv(cov), points) < 1.96**2
    assert np.mean(with_1_96) < 0.87, "the factor of one coordinate would hold too few"


def test_the_title_says_the_finding():
    assert finding(clip()) == "No bounce was measured"
    one = clip([contact()])
    assert finding(one).startswith("1 bounce: on side B; known to 5 mm")
    more = clip([contact(), contact(1, x_m=-0.5), contact(2, "racket", x_m=-1.6)])
    assert finding(more).startswith("2 bounces: 1 on side A, 1 on side B")
    assert error_95_mm(()) is None
    idle = contact(3, rally_id=None, player=None)
    assert finding(clip([*more.contacts, idle])).endswith("(95 %); 1 more between rallies")
    assert finding(clip([idle])).startswith("1 bounce outside any rally")


def test_every_bounce_is_drawn_at_its_place():
    from matplotlib.patches import Ellipse

    rows = [contact(0, x_m=-1.0, y_m=0.5), contact(1, x_m=1.2, y_m=-0.7)]
    axes = overview_figure(rows, [1, 2], Language()).axes[0]
    drawn = {tuple(p.center) for p in axes.patches if isinstance(p, Ellipse)}
    assert drawn == {(-1.0, 0.5), (1.2, -0.7)}
    (a,) = [p for p in axes.patches if isinstance(p, Ellipse) and p.center == (-1.0, 0.5)][:1]
    long, short, angle = ellipse_95(rows[0])
    assert (a.width, a.height) == pytest.approx((2 * long, 2 * short))
    assert a.angle == pytest.approx(math.degrees(angle))
    assert axes.get_aspect() == 1.0, "an ellipse on a stretched map would lie"


def test_many_bounces_are_all_drawn_without_ellipses():
    rows = [contact(i, x_m=0.01 * i, player="AB"[i % 2]) for i in range(1, 101)]
    axes = overview_figure(rows, [None] * 100, Language()).axes[0]
    places = {tuple(xy) for line in axes.lines if line.get_marker() in "oDs"
              for xy in line.get_xydata()}  # fmt: skip
    assert {(r.x_m, r.y_m) for r in rows} <= places


def test_a_figure_alone_has_its_title_and_is_the_same_each_time():
    figure = overview_figure([contact()], [1], Language())
    svg, png = alone(figure, "1 bounce of $Ada <3 & co", "how to read it")
    assert (svg, png) == alone(figure, "1 bounce of $Ada <3 & co", "how to read it")
    words = " ".join(ET.fromstring(svg).itertext())  # well formed in spite of the name
    assert "1 bounce of $Ada <3 & co" in words
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    other = alone(overview_figure([contact(x_m=0.1)], [1], Language()), "1", "2")
    assert other[1] != png


def test_the_colours_of_the_ends_differ_on_grey_paper():
    from halfvolley.report.look import END_A, END_B, NOBODY, rgb

    grey = [0.2126 * r + 0.7152 * g + 0.0722 * b for r, g, b in map(rgb, (END_A, END_B))]
    assert abs(grey[0] - grey[1]) > 60
    assert len({END_A, END_B, NOBODY}) == 3


def full_clip():
    return clip(
        [
            contact(0, "racket", -1.6, speed_out_mps=9.876, speed_out_sd_mps=0.12,
                    spin_out_revps=41.0, spin_out_sd_revps=4.0, side=None),
            contact(1, x_m=0.8, spin_in_revps=-12.0, spin_in_sd_revps=3.0),
        ],
        [RallyRow("a", 1, 1.0, None, "A", "Ada", 1, 1)],
        [StrokeRow("a", 1, 0, 1, 1, "A", "Ada", 1.0, 9.876, 0.12, 1)],
        ["the clip is <b>cut</b> short"],
    )  # fmt: skip


def printed(what: Summary) -> str:
    stream = io.StringIO()
    print_summary(what, Console(width=160, highlight=False, file=stream))
    return stream.getvalue()


def test_the_console_says_what_was_found_and_what_not():
    text = printed(summary(full_clip(), failed=(("b", "no [red]table"),)))
    assert "1 bounce: on side B" in text
    assert "Rally 1: served by Ada at 1.00 s, 1 stroke, its end was not seen" in text
    assert "9.88 ± 0.12" in text
    assert "spin after 1 of 1 bounces: the view does not show it" in text
    assert "Note: the clip is <b>cut</b> short" in text
    assert "b was not measured: no [red]table" in text, "words of a file name are no markup"
    assert "Readout 11.0 ± 1.0 ms" in text


def test_many_rows_are_cut_on_the_console():
    assert "and 36 more bounces" in printed(summary(clip([contact(i) for i in range(60)])))


def test_what_is_unknown_is_a_dash():
    assert with_sd(None, None, 1) == DASH
    assert with_sd(1.25, None, 1) == DASH
    assert with_sd(1.25, 0.5, 2) == "1.25 ± 0.50"
