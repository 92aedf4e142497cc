"""The report in the reader's language: English sentences, and catalogues that translate them.

A catalogue is languages/<code>.toml, keyed by the English sentence with its {gaps}. What it lacks
stays English, so that a half-done translation is readable.
"""

import re
import tomllib
from pathlib import Path

from halfvolley.errors import BadInput

FOLDER = Path(__file__).parent / "languages"
_POINT = re.compile(r"(?<=\d)\.(?=\d)")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")


class Language:
    """Translates sentences and writes numbers as a language does.

    Parameters
    ----------
    code : str
        "en", or the name of a catalogue.

    Raises
    ------
    BadInput
        If there is no such catalogue.
    """

    def __init__(self, code: str = "en") -> None:
        if code not in languages():
            raise BadInput(f"no language {code!r}; there are {', '.join(languages())}")
        self.code = code
        self._words: dict[str, str] = {}
        self._point = "."
        if code != "en":
            catalogue = tomllib.loads((FOLDER / f"{code}.toml").read_text(encoding="utf-8"))
            self._words = catalogue["words"]
            self._point = catalogue["decimal_point"]

    def __call__(self, sentence: str, **gaps: object) -> str:
        """A sentence in this language, with its gaps filled."""
        text = self._words.get(sentence, sentence).format(**gaps)
        return text.replace(" %", "\u00a0%")  # a number and its sign stay on one line

    def number(self, value: float, digits: int = 0, *, signed: bool = False) -> str:
        """A number with so many digits after the point, and a true minus sign."""
        text = f"{value:{'+' if signed else ''}.{digits}f}"
        if float(text) == 0.0:  # no minus nought
            text = text.lstrip("+-")
        return text.replace("-", "−").replace(".", self._point)

    def figures(self, text: str) -> str:
        """A text with numbers in it, written as this language writes them."""
        return _POINT.sub(self._point, text).replace("-", "−")

    def said(self, text: str) -> str:
        """What another room said, its numbers taken out to look it up and put back in."""
        if text in self._words:
            return self._words[text]
        gaps = iter(range(99))
        pattern = _NUMBER.sub(lambda _: f"{{{next(gaps)}}}", text)
        if pattern not in self._words:
            return text
        numbers = [n.replace(".", self._point) for n in _NUMBER.findall(text)]
        return self._words[pattern].format(*numbers)

    def knows(self, text: str) -> bool:
        """Whether what another room said can be said in this language."""
        return self.code == "en" or self.said(text) != text


def languages() -> tuple[str, ...]:
    """All languages there are, English first."""
    return ("en", *sorted(path.stem for path in FOLDER.glob("*.toml")))
