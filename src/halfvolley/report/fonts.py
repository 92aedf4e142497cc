"""Letters for every name: the face that Matplotlib brings along, then whatever is installed.

The face covers Latin, Greek, Cyrillic, Hebrew, Arabic and more, but no Chinese, Japanese or Korean.
Where no font of the machine has a letter, PDF writes the word in Latin letters instead.
"""

import itertools
from functools import cache
from pathlib import Path

from anyascii import anyascii


def face(*, bold: bool = False) -> Path:
    """The file of the face that every machine has."""
    import matplotlib

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name


def missing_letters(text: str) -> set[str]:
    """Letters of a text that the face lacks."""
    return {c for c in text if ord(c) not in letters_of(face()) and not c.isspace()}


def fallbacks_for(text: str) -> list[Path]:
    """Installed fonts that together have what the face lacks, as far as there are any."""
    lacking = missing_letters(text)
    out = []
    for path in _installed() if lacking else ():
        has = {c for c in lacking if ord(c) in letters_of(path)}
        if has:
            out.append(path)
            lacking -= has
        if not lacking:
            break
    return out


def families_for(text: str) -> list[str]:
    """Families for Matplotlib, the house's first."""
    from matplotlib import font_manager

    names = [font_manager.get_font(str(path)).family_name for path in fallbacks_for(text)]
    return ["DejaVu Sans", *names]


def spelled(text: str, letters: set[str]) -> str:
    """A text with these letters written in Latin ones."""
    out = ""
    for strange, group in itertools.groupby(text, lambda c: c in letters):
        run = "".join(group)
        word = anyascii(run) if strange else run
        out += word[:1].upper() + word[1:] if strange else word
    return out


@cache
def _installed() -> tuple[Path, ...]:
    """Fonts of this machine that may hold foreign letters, widest first by name."""
    from matplotlib import font_manager

    paths = {Path(entry.fname) for entry in font_manager.fontManager.ttflist}
    ours = face().parent
    return tuple(
        sorted(
            (p for p in paths if p.parent != ours and "DejaVu" not in p.name),
            key=lambda p: ("CJK" not in p.name, "Regular" not in p.name, p.name),
        )
    )


@cache
def letters_of(path: Path) -> frozenset[int]:
    """Code points that a font file has; none where it cannot be read."""
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(path, fontNumber=0, lazy=True) as font:
            return frozenset(font.getBestCmap() or ())
    except (OSError, TTLibError, KeyError):
        return frozenset()
