"""The PDF, read back with pypdf: words, pages, sizes, letters of every script."""

import io
import re

import pytest
from pypdf import PdfReader

from halfvolley.errors import BadInput
from halfvolley.report import write_report
from halfvolley.report.document import Document, Grid, Items, Section, Words
from halfvolley.report.fonts import face, letters_of, missing_letters, spelled
from halfvolley.report.language import Language
from halfvolley.report.pdf import report_pdf

MM_PER_PT = 25.4 / 72


@pytest.fixture(scope="module")
def paper(evening) -> PdfReader:
    return PdfReader(evening / "report" / "report.pdf")


def words_of(reader: PdfReader) -> list[str]:
    return [re.sub(r"\s+", " ", page.extract_text()) for page in reader.pages]


def test_pages_are_a4_and_numbered(paper):
    texts = words_of(paper)
    for number, (page, text) in enumerate(zip(paper.pages, texts, strict=True), start=1):
        size = [float(v) * MM_PER_PT for v in page.mediabox[2:]]
        assert size == pytest.approx([210.0, 297.0], abs=0.5)
        assert f"{number} / {len(texts)}" in text
    assert 8 <= len(texts) <= 14
    assert paper.metadata.title == "Made hall"


def test_a_player_has_one_page(paper):
    texts = words_of(paper)
    kickers = [item.title for item in paper.outline]
    for i, kicker in enumerate(kickers[1:3], start=1):
        pages = [paper.get_destination_page_number(paper.outline[k]) for k in (i, i + 1)]
        assert pages[1] - pages[0] == 1, f"{kicker} takes one page"
        assert "area of half the balls" in texts[pages[0]]
        assert "Target zones" in texts[pages[0]]


def test_the_words_of_page_and_figures_can_be_searched(paper):
    text = " ".join(words_of(paper))
    assert "Łukasz <b>&$x^$" in text
    assert "strokes missed the table" in text
    assert "from the net in m" in text, "words within a figure are words too"
    assert "Rallies in time order" in text


def test_every_letter_is_embedded(paper):
    fonts = [font.get_object() for page in paper.pages
             for font in page["/Resources"]["/Font"].values()]  # fmt: skip
    assert fonts
    for font in fonts:
        inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
        descriptor = inner["/FontDescriptor"].get_object()
        assert "/FontFile2" in descriptor or "/FontFile3" in descriptor


def test_letter_paper_and_what_an_older_report_left_goes_away(session):
    figures = session / "report" / "figures"
    figures.mkdir(parents=True)
    (figures / "player-9-serves.svg").write_text("old")
    (figures / "my own notes.txt").write_text("kept")
    write_report(session, paper="letter")
    assert not (figures / "player-9-serves.svg").exists()
    assert (figures / "my own notes.txt").read_text() == "kept"
    reader = PdfReader(session / "report" / "report.pdf")
    size = [float(v) * MM_PER_PT for v in reader.pages[0].mediabox[2:]]
    assert size == pytest.approx([215.9, 279.4], abs=0.5)
    with pytest.raises(BadInput, match="there are A4, letter"):
        write_report(session, paper="a5")


def one_page(*blocks, title="Hall") -> str:
    document = Document(title, "", (Section("one", "One", "Title", tuple(blocks)),))
    return " ".join(words_of(PdfReader(io.BytesIO(report_pdf(document, {}, Language())))))


@pytest.mark.parametrize("name", ["Łukasz", "Ольга", "Ελένη", "ქეთი", "Nguyễn Thị"])
def test_names_of_many_scripts(name):
    assert not missing_letters(name)
    assert name in one_page(Words(name))


def test_what_is_written_from_right_to_left_is_in_that_order():
    # laid out for the eye, so the first letter stands on the right; pypdf reads from the left
    assert "דוד"[::-1] in one_page(Words("דוד כהן"))


def test_letters_that_no_font_has_are_spelled():
    """Chinese, where no font for it is installed; else it is embedded."""
    text = one_page(Words("王楠 wins"))
    assert "王楠" in text or "WangNan" in text
    assert spelled("王楠 🏓 Ann", set("王楠🏓")) == "WangNan :ping_pong: Ann"
    assert spelled("नेहा", set("नेहा")) == "Neha"
    assert ord("王") not in letters_of(face())


def test_a_long_table_repeats_its_head():
    rows = tuple((str(i), f"row {i}") for i in range(150))
    grid = Grid("Table", ("number", "words"), ("", ""), rows)
    document = Document("Hall", "", (Section("one", "One", "Title", (grid,)),))
    texts = words_of(PdfReader(io.BytesIO(report_pdf(document, {}, Language()))))
    assert len(texts) > 2
    assert all("number words" in text for text in texts)
    assert sum(text.count("row ") for text in texts) == 150


def test_a_word_wider_than_the_page_is_broken():
    word = "x" * 400
    assert one_page(Items("Long", (Words(word),))).count("x") == 400
