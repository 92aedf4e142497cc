"""A figure as SVG, PNG and PDF; the same figure gives the same bytes."""

import io
import itertools
import re
import textwrap
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

from halfvolley.report.fonts import families_for
from halfvolley.report.look import INK, SOFT, house_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PNG_DPI = 200
MARGIN_IN = 0.12  # around a figure that stands alone
_ID = re.compile(r' id="([^"]+)"')
_USED = re.compile(r'(?:href="#|url\(#)([^")]+)')


@dataclass(frozen=True, slots=True)
class Printed:
    """A figure as the report's pages take it."""

    size_in: tuple[float, float]
    svg: str  # the <svg> element
    pdf: bytes  # empty where nothing goes on paper


def printed(figure: "Figure", key: str, *, paper: bool) -> Printed:
    """A figure for the pages.

    Parameters
    ----------
    figure : Figure
        Drawn in the house's style.
    key : str
        Unique on the page.
    paper : bool
        Whether it goes on paper too.
    """
    width, height = figure.get_size_inches()
    pdf = _save(figure, "pdf") if paper else b""
    return Printed((float(width), float(height)), inline_svg(figure, key), pdf)


def inline_svg(figure: "Figure", key: str) -> str:
    """The <svg> element alone, small, with ids that are unique on the page.

    Parameters
    ----------
    figure : Figure
        Drawn in the house's style.
    key : str
        Unique on the page.
    """
    svg = _save(figure, "svg").decode()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", svg, flags=re.DOTALL)
    used = set(_USED.findall(svg))
    number = itertools.count()
    new = {name: f"{key}-{next(number)}" for name in dict.fromkeys(_ID.findall(svg))
           if name in used}  # fmt: skip
    svg = _ID.sub(lambda m: f' id="{new[m[1]]}"' if m[1] in new else "", svg)
    svg = _USED.sub(lambda m: m[0].replace(m[1], new.get(m[1], m[1])), svg)
    # the size is the page's business; coordinates to a hundredth of a point are enough
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r"(\d+\.\d\d)\d+", r"\1", svg)
    return re.sub(r"\n\s*", "\n", svg)


def alone(figure: "Figure", title: str, note: str) -> tuple[bytes, bytes]:
    """SVG and PNG of a figure with its title above."""
    width_in, height_in = figure.get_size_inches()
    big = _wrapped(title, width_in, 11)
    small = _wrapped(note, width_in, 7.5)
    with house_style():
        family = families_for(title + note)
        lower = figure.text(
            0.0, 1.0 + 0.10 / height_in, small, fontsize=7.5, color=SOFT, va="bottom",
            family=family, parse_math=False,
        )  # fmt: skip
        above = 0.14 + 0.145 * (small.count("\n") + 1)
        upper = figure.text(
            0.0, 1.0 + above / height_in, big, fontsize=11, color=INK, va="bottom",
            fontweight="bold", family=family, parse_math=False,
        )  # fmt: skip
    height_in += above + 0.2 * (big.count("\n") + 1)
    files = _save(figure, "svg", (width_in, height_in)), _save(figure, "png", (width_in, height_in))
    lower.remove()
    upper.remove()
    return files


def _wrapped(text: str, width_in: float, size_pt: float) -> str:
    letters = max(20, int(72 * width_in / (0.56 * size_pt)))
    return "\n".join(textwrap.wrap(text, letters)) or " "


def _save(figure: "Figure", kind: str, size_in: tuple[float, float] | None = None) -> bytes:
    """A file of a figure; a size makes room above and right of it, and a margin around."""
    from matplotlib.transforms import Bbox

    box = None
    if size_in is not None:
        box = Bbox([[-MARGIN_IN, -MARGIN_IN], [size_in[0] + MARGIN_IN, size_in[1] + MARGIN_IN]])
    stream = io.BytesIO()
    metadata: dict[str, None] = {
        "svg": {"Date": None, "Creator": None}, "png": {"Software": None},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
    }[kind]  # fmt: skip
    with house_style(), warnings.catch_warnings():
        # a letter that no font has is drawn as a box, which is all that can be done
        warnings.filterwarnings("ignore", "Glyph .* missing")
        figure.savefig(
            stream, format=kind, dpi=PNG_DPI if kind == "png" else "figure", metadata=metadata,
            bbox_inches=box,
        )  # fmt: skip
    return stream.getvalue()
