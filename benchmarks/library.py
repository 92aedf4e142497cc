"""How fast is a library of many sessions: building its index, noticing changes, one filter?

    python benchmarks/library.py                   2,000 sessions
    python benchmarks/library.py --sessions 200

Sessions are invented tables (`made_session.py`): some are made and stand, as links, for all others,
each with a session.toml of its own that names other players and days. The folder lies on the local
disk, and the system remembers what was read before: a shared folder takes longer. A filter is timed
as a person meets it: looking for changes of all sessions, then strokes, sessions and players that
match. The last line is the whole command with the start of Python.
"""

import argparse
import datetime
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from made_session import make_session
from pages import command, stamped, table, write_part

from halfvolley.session.many import Library, StrokeFilter, open_library
from halfvolley.session.many_index import INDEX_FILE, INDEX_FOLDER

SESSIONS, DIFFERENT, RALLIES = 2000, 12, 20
TIMES = 9  # of each question, after one that does not count
NAMES = ("Ada", "Bo", "Cleo", "Dag", "Enzo", "Fay", "Gus", "Hana")
FIRST_DAY = datetime.date(2024, 1, 1)
TARGET_S = 1.0
FILTERS = (
    ("player and kind", StrokeFilter(players=("Cleo",), kinds=("loop",))),
    ("days, zone and speed", StrokeFilter(since=datetime.date(2025, 1, 1), zones=("long left",),
                                          min_speed_mps=9.0)),
    ("everything", StrokeFilter()),
)  # fmt: skip


def make_sessions(folder: Path, n: int) -> None:
    """Sessions by weeks; all but a few are links to the same tables."""
    patterns = [
        make_session(folder / "patterns" / f"{i:02d}", rallies=RALLIES, seed=i)
        for i in range(min(DIFFERENT, n))
    ]
    for i in range(n):
        pattern = patterns[i % len(patterns)].folder
        session = folder / "sessions" / f"{i // 50:02d}" / f"evening {i:04d}"
        (session / "tables").mkdir(parents=True)
        for file in (pattern / "tables").iterdir():
            os.link(file, session / "tables" / file.name)
        text = (pattern / "session.toml").read_text(encoding="utf-8")
        day = FIRST_DAY + datetime.timedelta(days=i // 3)
        text = text.replace("# date = ", f"date = {day} # ", 1)
        (session / "session.toml").write_text(text, encoding="utf-8")
        rename(session, (NAMES[i % len(NAMES)], NAMES[(i // 3 + 1) % len(NAMES)]))


def rename(session: Path, names: tuple[str, str]) -> None:
    """Other players, as `measure` would have written them."""
    manifest = session / "tables" / "manifest.json"
    text = manifest.read_text(encoding="utf-8")
    manifest.unlink()  # it is a link
    for old, new in zip(("Ada", "Bo"), names, strict=True):
        text = text.replace(f'"{old}"', f'"{new}"')
    manifest.write_text(text, encoding="utf-8")


def seconds(what: Callable[[], object], times: int = TIMES) -> tuple[float, float, float]:
    """Median, least and most of some runs; the first does not count."""
    taken = []
    for _ in range(times + 1):
        start = time.perf_counter()
        what()
        taken.append(time.perf_counter() - start)
    return float(np.median(taken[1:])), min(taken[1:]), max(taken[1:])


def ask(library: Library, wanted: StrokeFilter) -> int:
    """What the command asks for one filter; how many strokes match."""
    library.sessions(wanted)
    library.players(wanted)
    return library.count(wanted)[0]


def ask_folder(folder: Path, wanted: StrokeFilter) -> int:
    """Look for changes, then ask."""
    with open_library(folder) as library:
        return ask(library, wanted)


def measure_library(folder: Path) -> list[list[str]]:
    """Rows of the table."""
    with open_library(folder) as library:
        built = library.changes
        strokes, sessions = library.count()[0], len(library.sessions())
    size = (folder / INDEX_FOLDER / INDEX_FILE).stat().st_size
    rows = [
        ["sessions", "2,000", f"{sessions:,}"],
        ["strokes", "", f"{strokes:,}"],
        ["building the index, once, s", "", f"{built.took_s:.1f}"],
        ["size of the index, MB", "", f"{size / 1e6:.1f}"],
        ["noticing that nothing changed, s", "", spread(seconds(lambda: look(folder)))],
    ]
    for name, wanted in FILTERS:
        n = ask_folder(folder, wanted)
        taken = seconds(lambda wanted=wanted: ask_folder(folder, wanted))
        rows.append([f"one filter: {name} ({n:,} strokes), s", f"< {TARGET_S:g}", spread(taken)])
    rows.append(["one session changed, s", "", f"{change_one(folder):.2f}"])
    words = [sys.executable, "-m", "halfvolley.cli", "library", str(folder), "--kind", "loop"]
    taken = seconds(lambda: subprocess.run(words, check=True, capture_output=True), 3)
    rows.append(["the whole command, one filter, s", "", spread(taken)])
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    rows.append(["most memory, MB", "", f"{peak / 1024:.0f}"])
    return rows


def look(folder: Path) -> None:
    """Open and close; nothing may have changed."""
    with open_library(folder) as library:
        if library.changes.read:
            raise RuntimeError(f"{library.changes.read} sessions were read again")


def change_one(folder: Path) -> float:
    """Seconds to take in one changed session."""
    path = next(folder.rglob("session.toml"))
    path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    with open_library(folder) as library:
        if library.changes.read != 1:
            raise RuntimeError(f"{library.changes.read} sessions were read again, expected one")
        return library.changes.took_s


def spread(taken: tuple[float, float, float]) -> str:
    """Median with the least and the most."""
    return "{:.3f} ({:.3f}-{:.3f})".format(*taken)


def main() -> None:
    """Make the sessions, measure, print and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=SESSIONS)
    parser.add_argument("--write", metavar="PART", help="put the table into docs/benchmarks.md")
    said = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="halfvolley-library-") as made:
        make_sessions(Path(made), said.sessions)
        rows = measure_library(Path(made) / "sessions")
    text = stamped(table(["", "target", "measured"], rows), command())
    print(text)
    if said.write:
        write_part(said.write, text)


if __name__ == "__main__":
    main()
