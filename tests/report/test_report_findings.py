"""Findings say no more than the numbers carry; what is counted as seen was seen."""

from dataclasses import replace

import numpy as np
import pytest

from halfvolley.errors import BadInput, Unknown
from halfvolley.match.intervals import wilson
from halfvolley.match.kinds import guess_kind
from halfvolley.match.records import Placement
from halfvolley.match.statistics import summarise
from halfvolley.report.checks import Checks
from halfvolley.report.document import Document, drawings
from halfvolley.report.figures.overview import overview_figure
from halfvolley.report.figures.save import printed
from halfvolley.report.findings import error_finding, placement_finding
from halfvolley.report.html import page_html
from halfvolley.report.language import Language
from halfvolley.report.material import Material, percents
from halfvolley.report.overlay import _shown_at
from halfvolley.report.pages.cover import main_findings
from halfvolley.report.pages.quality import quality_section
from halfvolley.report.pages.rallies import clock
from halfvolley.report.pages.targets import target_outline, target_results
from halfvolley.report.videos import make_videos, video_label
from halfvolley.session.quality import _within
from halfvolley.session.records import read_records


@pytest.fixture
def material(session) -> Material:
    records = read_records(session)
    kinds = {(s.clip, s.stroke_id): guess_kind(s) for s in records.strokes}
    return Material(records, summarise(records.strokes, records.rallies), kinds, {}, {}, Language())


def finding_of(material, places) -> str:
    """What is said where a player's strokes bounced at these (depth, right) places [m]."""
    base = next(s for s in material.records.strokes if s.rally_id is not None)
    strokes = tuple(
        replace(base, stroke_id=i, player="Ada", placement=Placement(d, r, 1e-6, 0.0, 1e-6))
        for i, (d, r) in enumerate(places)
    )
    records = replace(material.records, strokes=strokes)
    said = replace(material, records=records, statistics=summarise(strokes, records.rallies))
    ada = next(p for p in said.statistics.players if p.name == "Ada")
    return placement_finding(said, ada).replace("\u00a0", " ")


LONG_RIGHT, SHORT_LEFT, HALF = (1.2, 0.5), (0.2, -0.5), (0.7, 0.0)


def test_a_clear_preference_is_named_with_wilsons_interval(material):
    text = finding_of(material, [LONG_RIGHT] * 14 + [SHORT_LEFT] * 2)
    # statsmodels' proportion_confint(14, 16, method="wilson") gives 0.6398 to 0.9650
    assert text == "Ada puts 14 of 16 balls long to the right; 95 %: 64–97 %"


def test_depth_alone_is_named_where_the_side_varies(material):
    places = [(1.2, side) for side in (-0.5, 0.0, 0.5)] * 5
    assert finding_of(material, places).startswith("Ada puts 15 of 15 balls long; 95 %: 80–100 %")


def test_what_chance_can_do_is_no_preference(material):
    """6 of 9 is above one third at 95 %, but not after looking at nine fields."""
    places = [LONG_RIGHT] * 3 + [(1.2, 0.0)] * 3 + [SHORT_LEFT, HALF, (0.2, 0.1)]
    low = wilson(6, 9).low
    assert low > 1 / 3
    assert "no preferred third" in finding_of(material, places)


def test_a_few_balls_make_no_pattern(material):
    assert finding_of(material, [LONG_RIGHT] * 5) == "Ada: 5 bounces, too few for a pattern"


def test_missed_strokes_are_counted_among_those_that_are_known(material):
    base = material.records.strokes[0]
    strokes = [replace(base, fate=f) for f in ("in", "in", "net", "out", "unknown", "unknown")]
    text = error_finding(material, strokes).replace("\u00a0", " ")
    assert text == "2 of 4 strokes missed the table; 95 %: 15–85 %"
    assert percents(Unknown("nothing"), Language()) == "no interval"


def test_hits_of_a_target_are_those_within_its_corners(material):
    base = replace(material.records.strokes[0], end="A")
    inside, outside = Placement(1.1, -0.5, 1e-8, 0.0, 1e-8), Placement(1.1, 0.5, 1e-8, 0.0, 1e-8)
    strokes = [replace(base, placement=p) for p in (inside, inside, outside)]
    strokes.append(replace(base, end="B", placement=inside))  # plays to the other half
    (result,) = target_results(material, strokes)
    assert (result.hits, result.tries, result.doubtful) == (2, 3, 0)
    outline = np.array(target_outline(result.target))
    assert outline[:, 0].min() == pytest.approx(0.9)
    assert outline[:, 1].max() == pytest.approx(-0.2), "y > 0 is the left of the striker at A"


def test_moments_within_flights():
    spans = np.array([[2.0, 3.0], [0.0, 1.0], [0.5, 0.6]])
    inside = _within(np.array([-0.1, 0.0, 0.9, 1.5, 2.5, 3.1]), spans)
    assert inside.tolist() == [False, True, True, False, True, False]


def test_parts_of_a_clip_follow_each_other():
    spans = [(1.0, 2.0), (5.0, 6.0)]
    assert [_shown_at(t, spans) for t in (0.9, 1.0, 1.5, 3.0, 5.25)] == [
        None, 0.0, 0.5, None, 1.25,
    ]  # fmt: skip


def test_a_rally_that_is_not_there(material, tmp_path):
    n = len(material.records.rallies)
    for wanted in (0, n + 1):
        with pytest.raises(BadInput, match=f"no rally {wanted}; there are 1 to {n}"):
            make_videos(material, tmp_path, whole=False, rallies=[wanted], slow=1.0,
                        tell=lambda text, share: None)  # fmt: skip
    assert video_label(("a", [2, 3], 4.0), Language()) == "a, rally 2, 3, 4 times slower"


def test_a_time_of_the_clip():
    assert clock(125.04, Language()) == "2:05.0"
    assert clock(59.96, Language("de")) == "1:00,0"


def test_a_check_is_on_the_page_of_quality_with_its_words_and_picture(material):
    shown = Checks(
        "A dropped ball", ("words <1>",), ("a",), ("m",), (["7"],),
        lambda: overview_figure([], [], Language()),
    )  # fmt: skip
    said = replace(material, checks={"drop": shown})
    section = quality_section(said, {}, {})
    titles = [b.title for b in section.blocks if getattr(b, "title", "").startswith("drop")]
    assert titles == ["drop: A dropped ball"] * 3, "words, picture and table"
    figures = {d.key: printed(d.draw(), d.key, paper=False)
               for d in drawings(Document("Hall", "", (section,)))}  # fmt: skip
    html = page_html(Document("Hall", "", (section,)), figures, Language())
    assert "words &lt;1&gt;" in html
    assert '<h3>drop: A dropped ball</h3><ul class="findings"><li lang="en">' in html
    assert "drop: words <1>" in [w.text for w in main_findings(said)]
