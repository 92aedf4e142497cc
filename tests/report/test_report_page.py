"""The page: stands alone, says its findings, lets no name in as HTML, and bears odd sessions."""

import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from halfvolley.errors import BadInput, StorageError
from halfvolley.report import is_current, write_report
from halfvolley.session.edit import add_point, set_words
from halfvolley.session.read import read_summary
from halfvolley.session.schema import read_session

VOID = {"meta", "img", "br", "use", "path", "rect", "circle", "image", "line"}


class Page(HTMLParser):
    """Tags in order, ids, links, and whether every tag is closed where it should be."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.words = ""
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        said = dict(attrs)
        self.ids += [said["id"]] if "id" in said else []
        self.links += [v for k, v in attrs if k in ("href", "src", "xlink:href")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] != "style":
            self.words += data


@pytest.fixture(scope="module")
def page(evening) -> Page:
    return Page((evening / "report" / "report.html").read_text(encoding="utf-8"))


def test_the_page_is_whole_and_asks_for_nothing(page):
    assert page.open == []
    assert len(page.ids) == len(set(page.ids)), "an id names one thing"
    for link in page.links:
        assert link.startswith(("#", "data:image/jpeg;base64,")), link
    targets = {link[1:] for link in page.links if link.startswith("#")}
    assert targets <= set(page.ids)
    assert "script" not in page.tags


def test_no_name_becomes_html(evening, page):
    html = (evening / "report" / "report.html").read_text(encoding="utf-8")
    assert "Łukasz &lt;b&gt;&amp;$x^$" in html
    assert "<b>&$x" not in html
    assert "corner &lt;i&gt;" in html
    assert "i" not in page.tags
    assert "王楠" in page.words


def test_the_titles_say_the_finding(page):
    assert re.search(r"王楠 puts \d+ of \d+ balls .*95\s%:\s\d+–\d+\s%", page.words)
    assert re.search(r"\d+ of \d+ strokes missed the table; 95\s%:\s\d+–\d+\s%", page.words)
    assert "26 rallies; the longest has" in page.words
    assert page.tags.count("h1") == 1
    assert page.tags.count("h2") == page.tags.count("section")


def test_every_part_of_the_report_is_there(page):
    for words in (
        "Main findings", "Target zones", "Rallies in time order", "Score before each rally",
        "Camera and footage", "What was measured", "Methods", "Cautions", "speed in m/s",
        "from the net in m", "over the net in cm",
    ):  # fmt: skip
        assert words in page.words, words


def test_figures_and_tables_lie_beside_it(evening):
    figures = {p.name for p in (evening / "report" / "figures").iterdir()}
    stems = {Path(name).stem for name in figures}
    assert figures == {f"{s}.svg" for s in stems} | {f"{s}.png" for s in stems}
    assert {"bounces", "player-1-placement", "player-2-serves", "rallies-2", "score"} <= stems
    tables = evening / "report" / "tables"
    rows = pq.read_table(tables / "statistics.parquet").to_pylist()
    (won,) = [r for r in rows if r["quantity"] == "points won" and r["player"] == "王楠"]
    assert won["low"] < won["value"] < won["high"]
    summary = read_summary(evening).clips[0]
    strokes = pq.read_table(tables / "strokes.parquet").to_pylist()
    assert len(strokes) == len(summary.strokes)
    for row in strokes:
        assert sum(v for k, v in row.items() if k.startswith("p_")) == pytest.approx(1.0)
    assert len((tables / "rallies.csv").read_text().splitlines()) == 1 + len(summary.rallies)


def test_a_report_in_german_has_no_english_left(session):
    write_report(session, language="de")
    html = (session / "report" / "report.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in html
    words = Page(re.sub(r"<(\w+) lang=\"en\">.*?</\1>", "", html, flags=re.DOTALL)).words
    assert re.search(r"\d+ von \d+ Schlägen gingen fehl; 95\s%:\s\d+–\d+\s%", words)
    assert re.search(r"\d,\d m/s", words)
    for english in ("strokes", "bounces", " the ", "serve", "rallies"):
        assert english not in words, english
    with pytest.raises(BadInput, match="there are en, de"):
        write_report(session, language="xx")


def test_what_a_person_says_later_makes_the_report_old(session):
    write_report(session)
    assert is_current(read_summary(session))
    add_point(read_session(session), "evening", 4.0, winner="B")
    assert not is_current(read_summary(session))
    write_report(session)
    assert is_current(read_summary(session))
    html = (session / "report" / "report.html").read_text(encoding="utf-8")
    assert "contradicts an earlier word on that rally" in html
    set_words(read_session(session), "report", blur="heads")
    assert not is_current(read_summary(session))
    set_words(read_session(session), "report", blur=None)
    assert is_current(read_summary(session)), "what was taken back changes nothing"


def test_a_folder_that_cannot_be_written_is_said(session):
    (session / "report").write_text("in the way")  # holds for root too, where modes do not
    with pytest.raises(StorageError, match=r"cannot write .*report"):
        write_report(session)
    assert (session / "report").read_text() == "in the way"


@pytest.mark.parametrize(
    ("rallies", "strokes", "words"),
    [(0, True, "No rally was found; the ball was in play without one"),
     (0, False, "No ball was seen in play"),
     (3, False, "3 rallies, 0 strokes measured")],
)  # fmt: skip
def test_odd_sessions_have_a_report(session, rallies, strokes, words):
    """No rallies, practice without play, nothing at all."""
    thin_out(session, rallies, strokes)
    write_report(session, paper="A4")
    page = Page((session / "report" / "report.html").read_text(encoding="utf-8"))
    assert page.open == []
    assert words in page.words
    assert (session / "report" / "report.pdf").read_bytes()[:5] == b"%PDF-"


def test_one_player_only(session):
    """A serve practice: the other player has no page."""
    toml = session / "session.toml"  # no match: nobody changes ends
    toml.write_text(toml.read_text(encoding="utf-8").replace("best_of = 5", "best_of = 0"))
    keep_rows(session, "strokes", lambda row: row["player"] == "A" and row["number"] == 1)
    write_report(session)
    page = Page((session / "report" / "report.html").read_text(encoding="utf-8"))
    assert "player-1" in page.ids
    assert "player-2" not in page.ids


def test_fed_balls_have_a_page_for_their_player_and_no_points(session):
    keep_rows(session, "rallies", lambda row: False)
    keep_rows(session, "strokes", lambda row: row["player"] == "A", rally_id=None, number=None)
    keep_rows(session, "contacts", lambda row: True, rally_id=None)
    keep_rows(session, "arcs", lambda row: True, rally_id=None)
    write_report(session)
    html = (session / "report" / "report.html").read_text(encoding="utf-8")
    page = Page(html)
    assert re.search(r"\d+ strokes measured, in no rally", page.words)
    assert "player-1" not in page.ids or "points won in %" not in page.words
    assert "rallies" not in page.ids


def thin_out(session, rallies, strokes):
    keep_rows(session, "rallies", lambda row: row["rally_id"] <= rallies)
    keep_rows(session, "strokes", lambda row: False)
    loose = {"rally_id": None, "player": None} if not rallies else {}
    keep_rows(session, "contacts", lambda row: strokes or rallies, **loose)
    keep_rows(session, "arcs", lambda row: strokes or rallies, **loose)


def keep_rows(session, name, wanted, **said):
    """Change a table of a copied session, its manifest with it."""
    import json

    import pyarrow as pa

    path = session / "tables" / f"{name}.parquet"
    table = pq.read_table(path)
    rows = [row | {k: v for k, v in said.items() if k in row} for row in table.to_pylist()
            if wanted(row)]  # fmt: skip
    pq.write_table(pa.Table.from_pylist(rows, schema=table.schema), path)
    manifest = session / "tables" / "manifest.json"
    content = json.loads(manifest.read_text(encoding="utf-8"))
    content["files"][path.name] = path.stat().st_size
    manifest.write_text(json.dumps(content), encoding="utf-8")
    shutil.rmtree(session / "report", ignore_errors=True)
