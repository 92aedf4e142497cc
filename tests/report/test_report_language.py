"""Catalogues are complete, keep every gap, and hold nothing that nobody says."""

import ast
import re
import tomllib
from pathlib import Path

import pytest

import halfvolley
from halfvolley.errors import BadInput
from halfvolley.report import vocabulary
from halfvolley.report.language import FOLDER, Language, languages
from halfvolley.report.words import BOUNCE_HEADS, STROKE_HEADS

ROOT = Path(halfvolley.__file__).parent
GAP = re.compile(r"\{\w*\}")


def text_of(node) -> list[str]:
    return [node.value] if isinstance(node, ast.Constant) and isinstance(node.value, str) else []


def sentences() -> set[str]:
    """All that the report says: what is given to a Language, directly or through `count`."""
    said = {*BOUNCE_HEADS, *STROKE_HEADS}
    said |= {words for labels in vocabulary.ALL for words in labels.values()}
    for path in (ROOT / "report").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if name == "say" and node.args:
                said.update(text_of(node.args[0]))
            elif name == "count":
                said.update(t for argument in node.args[1:3] for t in text_of(argument))
    return said


def catalogue(code: str) -> dict[str, str]:
    return tomllib.loads((FOLDER / f"{code}.toml").read_text(encoding="utf-8"))["words"]


@pytest.mark.parametrize("code", [c for c in languages() if c != "en"])
def test_a_catalogue_is_complete_and_keeps_the_gaps(code):
    words = catalogue(code)
    assert not sentences() - set(words), "these sentences are not translated"
    for english, other in words.items():
        assert sorted(GAP.findall(english)) == sorted(GAP.findall(other)), english


@pytest.mark.parametrize("code", [c for c in languages() if c != "en"])
def test_a_catalogue_holds_nothing_that_nobody_says(code):
    below = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "match").glob("*.py"))
    for english in set(catalogue(code)) - sentences():
        # what was filled in, or put together, when it was said
        pieces = re.split(r"\{\d\}|\b[AB]\b|: |it was seen", english)
        assert all(piece.strip() in below for piece in pieces), english


def test_numbers_as_a_language_writes_them():
    german = Language("de")
    assert german.number(-1.25, 2) == "−1,25"
    assert german.number(-0.001, 1) == "0,0"
    assert Language().number(3.14159, 2, signed=True) == "+3.14"
    assert german.figures("12.5 ± 0.3") == "12,5 ± 0,3"
    assert german("{n} of {total}", n=1, total=2) == "1 von 2"


def test_what_other_rooms_say_is_translated_around_its_numbers():
    german = Language("de")
    assert german.said("5 bounces are too few for a density") == (
        "5 Aufsprünge sind zu wenige für eine Dichte"
    )
    assert german.said("something new") == "something new"
    with pytest.raises(BadInput, match="no language 'xx'"):
        Language("xx")


def test_the_command_line_names_every_language_and_paper():
    from halfvolley.report.build import PAPERS

    text = (ROOT.parents[1] / "docs" / "commands.md").read_text(encoding="utf-8")
    for option, known in (("language", languages()), ("paper", PAPERS)):
        (line,) = [x for x in text.splitlines() if x.startswith(f"| `--{option}`")]
        assert all(re.search(rf"\b{name}\b", line) for name in known)
