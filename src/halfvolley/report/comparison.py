"""Groups side by side on the console, in plain words first."""

from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from halfvolley.errors import Unknown
from halfvolley.match.compare import FEWEST
from halfvolley.report.many import DIGITS, interval_words

if TYPE_CHECKING:
    from halfvolley.match.compare import Comparison, Difference
    from halfvolley.session.comparison import Compared

CAUTIONS = (
    "Strokes of one rally are not quite independent: true intervals are a little wider.",
    "What all strokes of one session share (the camera a little off, the law of lift) is not in an "
    "interval between sessions.",
    "'No difference shown' is not the same as equal: the interval says how large one may still be.",
)
# Cohen 1988, Statistical Power Analysis, section 2.2: conventions, no more
SIZES = ((0.2, "very small"), (0.5, "small"), (0.8, "medium"), (float("inf"), "large"))


def print_comparison(compared: "Compared", console: Console) -> None:
    """Print what is shown to differ, then all numbers.

    Parameters
    ----------
    compared : Compared
        As `compare_sessions` gives it.
    console : rich.console.Console
        Where to.
    """
    for c in compared.comparisons:
        title = f"{c.a.label} ({len(c.a.strokes)}) against {c.b.label} ({len(c.b.strokes)} strokes)"
        console.print(f"\n[bold]{escape(title)}[/bold]", soft_wrap=True)
        for words in finding_words(c):
            console.print(escape(words), soft_wrap=True)
        console.print(_table(c))
        for d in c.differences:
            if isinstance(d.difference, Unknown) and not _nothing_known(c):
                why = d.difference.reason
                console.print(f"[dim]{d.what}: unknown, {why}[/dim]", soft_wrap=True)
    if compared.looks:
        console.print(f"\n[dim]{escape(_looks_words(compared))}[/dim]", soft_wrap=True)
    for words in CAUTIONS:
        console.print(f"[dim]{words}[/dim]", soft_wrap=True)
    for note in compared.notes:
        console.print(f"[yellow]Note:[/yellow] {escape(note)}", soft_wrap=True)


def finding_words(comparison: "Comparison") -> tuple[str, ...]:
    """What the data show, one sentence each; one sentence where they show nothing."""
    shown = [d for d in comparison.differences if d.verdict in ("more", "less")]
    if shown:
        return tuple(_difference_words(comparison, d) for d in shown)
    if _nothing_known(comparison):
        return (f"Too little was measured to compare them: fewer than {FEWEST} values a side.",)
    return ("No difference shown.",)


def _nothing_known(comparison: "Comparison") -> bool:
    return all(d.verdict == "unknown" for d in comparison.differences)


def _difference_words(c: "Comparison", d: "Difference") -> str:
    assert not isinstance(d.difference, Unknown)
    size = ""
    if not isinstance(d.effect, Unknown):
        word = next(word for limit, word in SIZES if abs(d.effect.value) < limit)
        size = f"; a {word} effect"
    percent = d.unit == "1"
    unit = "percentage points" if percent else d.unit
    digits = 0 if percent else DIGITS[d.unit]
    # told as a positive difference, with the interval turned accordingly
    sign = 1.0 if d.verdict == "more" else -1.0
    scale = sign * (100.0 if percent else 1.0)
    ends = sorted((scale * d.difference.low, scale * d.difference.high))
    word = "larger" if d.verdict == "more" else "smaller"
    by = scale * d.difference.value
    return (
        f"{d.what.capitalize()}: {word} for {c.a.label}, by {by:.{digits}f} {unit} "
        f"(95 %: {ends[0]:.{digits}f} to {ends[1]:.{digits}f}){size}."
    )


def _table(c: "Comparison") -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("quantity\n")
    for head, unit in (
        ("first", "mean (n)"), ("second", "mean (n)"), ("difference", "95 %"),
        ("effect", "g, 95 %"), ("p", "adjusted"),
    ):  # fmt: skip
        table.add_column(f"{head}\n[dim]{unit}[/dim]", justify="right")
    table.add_column("first is\n")
    for d in c.differences:
        table.add_row(*(escape(cell) for cell in _cells(d)))
    return table


def _cells(d: "Difference") -> list[str]:
    percent = d.unit == "1"
    digits = 0 if percent else DIGITS[d.unit]
    scale = 100.0 if percent else 1.0
    verdict = {"more": "larger", "less": "smaller", "not shown": "not shown to differ"}
    return [
        f"{d.what} [{'%' if percent else d.unit}]",
        _mean(scale * d.a, d.n_a, digits),
        _mean(scale * d.b, d.n_b, digits),
        interval_words(d.difference, percent=percent, digits=digits),
        interval_words(d.effect, digits=2),
        "–" if d.p != d.p else "< 0.001" if d.p < 0.001 else f"{d.p:.3f}",
        verdict.get(d.verdict, "unknown"),
    ]


def _mean(value: float, n: int, digits: int) -> str:
    return f"{value:.{digits}f} ({n})" if n else "–"


def _looks_words(compared: "Compared") -> str:
    return (
        f"{compared.looks} differences were looked at together; p is adjusted for that (Holm). A "
        "difference is called one only where p is below 0.05 and the interval leaves zero out."
    )
