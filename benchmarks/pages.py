"""Tables for people: Markdown, and the parts of docs/benchmarks.md that the benchmarks write."""

import os
import re
import shlex
import shutil
import sys
from datetime import date
from pathlib import Path

PAGE = Path(__file__).parents[1] / "docs" / "benchmarks.md"


def table(head: list[str], rows: list[list[str]]) -> str:
    """A Markdown table; all columns but the first are set to the right."""
    ruler = ["---", *["---:"] * (len(head) - 1)]
    return "\n".join("| " + " | ".join(row) + " |" for row in (head, ruler, *rows))


def machine() -> str:
    """What the numbers were taken on, as far as it matters."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return f"{cores} cores, {'one GPU' if shutil.which('nvidia-smi') else 'no GPU'}"


def command(hidden: tuple[Path | None, ...] = ()) -> str:
    """The command line as it can be given again; a reader's folders have other names."""
    words = ["python", "benchmarks/" + Path(sys.argv[0]).name]
    names = {str(path) for path in hidden if path is not None}
    skip = False
    for word in sys.argv[1:]:
        if skip:
            skip = False
        elif word in ("--write", "--keep"):  # where things are kept changes no number
            skip = True
        else:
            words.append("FOLDER" if word in names else word)
    return shlex.join(words)


def write_part(name: str, text: str, page: Path = PAGE) -> None:
    """Put a text between the marks of a page; everything else stays.

    Raises
    ------
    ValueError
        If the page has no such marks.
    """
    old = page.read_text(encoding="utf-8")
    pattern = rf"(<!-- begin {re.escape(name)} -->\n).*?(<!-- end {re.escape(name)} -->)"
    new, n = re.subn(pattern, lambda m: f"{m[1]}\n{text}\n\n{m[2]}", old, flags=re.DOTALL)
    if n != 1:
        raise ValueError(f"{page} has no marks <!-- begin {name} --> ... <!-- end {name} -->")
    page.write_text(new, encoding="utf-8")


def stamped(text: str, said: str) -> str:
    """A text with the day, the machine and the command above it."""
    return f"{date.today().isoformat()}, {machine()}: `{said}`\n\n{text}"
