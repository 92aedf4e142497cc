"""The look of all pictures: a few colours that print in grey and that everyone can tell apart.

Blue and orange differ in hue for every kind of colour vision and in lightness on grey paper; shape
tells the ends apart a second time.
"""

from collections.abc import Iterator
from contextlib import contextmanager

INK = "#1d2733"
SOFT = "#56616e"  # 5.5 : 1 on SURFACE, as small print needs
HAIR = "#c9d0d8"
PAPER = "#ffffff"
SURFACE = "#eef2f5"
END_A = "#12507b"  # dark: about 30 % lightness
END_B = "#e0862d"  # light: about 65 % lightness
NOBODY = "#7b8591"
COLOURS = {"A": END_A, "B": END_B, None: NOBODY}
MARKERS = {"A": "o", "B": "D", None: "s"}


def rgb(colour: str) -> tuple[int, int, int]:
    """Red, green and blue of a colour, 0-255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


@contextmanager
def house_style() -> Iterator[None]:
    """Matplotlib's settings for our pictures; what a notebook has set is left alone."""
    import matplotlib

    with matplotlib.rc_context(
        {
            "font.family": "sans-serif",
            "font.size": 9.0,
            "text.color": INK,
            "axes.edgecolor": HAIR,
            "axes.labelcolor": SOFT,
            "xtick.color": SOFT,
            "ytick.color": SOFT,
            "svg.fonttype": "none",  # text stays text: searchable, and small
            "svg.hashsalt": "halfvolley",  # the same picture gives the same file
            "savefig.facecolor": PAPER,
        }
    ):
        yield
