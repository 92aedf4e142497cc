"""Do bounces and strokes come out better with the network than with the classical finder?

    python benchmarks/finders.py --footage FOLDER [--keep FOLDER] [--write finders]

Every clip is measured twice, with nothing given but the finder. Differences are network less
classical, with a 95 % interval by drawing whole clips again, both measurements of a clip together.
A clip that fails counts with all its bounces as missed. Faint is a ball whose largest change of any
colour, the median over its flight, is below 130 of 255.
"""

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from accuracy import clips_for, interval, joined, kept_in, median, options, percent
from made import alone
from pages import stamped, table, write_part
from scoring import Score, Truth, read_claims, read_truth, score
from trial import source_key

from halfvolley import measure, new_session, read_session
from halfvolley.errors import HalfvolleyError
from halfvolley.session.edit import set_words

FINDERS = "classical", "network"
FAINT = 130.0  # largest change of an 8-bit colour


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """One clip, measured with both finders; None where nothing came out."""

    truth: Truth
    scores: tuple[Score | None, Score | None]


def pair(clip: Path, folder: Path) -> Pair:
    """Measure a clip with both finders."""
    truth = read_truth(clip.with_suffix(".json"))
    return Pair(truth, (one(clip, folder, truth, 0), one(clip, folder, truth, 1)))


def one(clip: Path, folder: Path, truth: Truth, which: int) -> Score | None:
    """The same with one of them."""
    session = folder / f"{clip.stem}-{FINDERS[which]}-{source_key()}"
    if not (session / "session.toml").exists():
        new_session(session, [clip])
        set_words(read_session(session), "ball", detector=FINDERS[which])
    try:
        measure(session)
        return score(truth, read_claims(session, read_session(session).clips[0].name))
    except HalfvolleyError:
        return None


def found(pairs: list[Pair], which: int) -> float:
    """Bounces found, % of those asked for."""
    n = sum(s.bounces.n_found for p in pairs if (s := p.scores[which]))
    return percent(n, sum(len(p.truth.must_t_s) for p in pairs))


def false(pairs: list[Pair], which: int) -> float:
    """False bounces, % of those reported; none where none is reported."""
    ms = [s.bounces for p in pairs if (s := p.scores[which])]
    return percent(sum(m.n_false for m in ms), max(sum(m.n_claimed for m in ms), 1))


def off(pairs: list[Pair], which: int) -> float:
    """Median error of a place [mm]."""
    return median(joined([s.bounces.distance_mm for p in pairs if (s := p.scores[which])]))


def strokes(pairs: list[Pair], which: int) -> float:
    """Strokes found, %."""
    n = sum(s.n_strokes_found for p in pairs if (s := p.scores[which]))
    return percent(n, sum(len(p.truth.strokes.t_s) for p in pairs))


Number = Callable[[list[Pair], int], float]
NUMBERS: dict[str, Number] = {
    "found, %": found, "false, %": false, "median, mm": off, "strokes, %": strokes,
}  # fmt: skip


def contrast(truth: Truth) -> float:
    """Median over the frames that show the ball in flight."""
    balls = [f["ball"] for f in truth.document["frames"]]
    return float(np.median([b["contrast"] for b in balls if b and b["state"] == "flight"]))


GROUPS: dict[str, Callable[[Truth], bool]] = {
    "side": lambda t: t.kind == "side",
    "corner, end": lambda t: t.kind in ("corner", "end"),
    "webcam": lambda t: t.kind == "webcam",
    "white ball": lambda t: t.document["clip"].get("ball_colour") == "white",
    "faint ball": lambda t: contrast(t) < FAINT,
    "all": lambda t: True,
}


def difference(number: Number, pairs: list[Pair], rng: np.random.Generator) -> str:
    """Network less classical, with its interval."""

    def less(some: list[Pair]) -> float:
        return number(some, 1) - number(some, 0)

    low, high = interval(less, pairs, rng)
    return f"{less(pairs):+.1f} ({low:+.1f} to {high:+.1f})"


def rows_of(pairs: list[Pair]) -> list[list[str]]:
    """A row for each group that has clips."""
    rng = np.random.default_rng(0)
    rows = []
    for name, belongs in GROUPS.items():
        mine = [p for p in pairs if belongs(p.truth)]
        if not mine:
            continue
        asked = sum(len(p.truth.must_t_s) for p in mine)
        row = [name, str(len(mine)), str(asked)]
        for number in NUMBERS.values():
            row += [f"{number(mine, 0):.1f}", f"{number(mine, 1):.1f}"]
            row.append(difference(number, mine, rng))
        rows.append(row)
    return rows


HEAD = ["clips", "n", "bounces"] + [
    cell for name in NUMBERS for cell in (f"{name}: classical", "network", "difference")
]


def main() -> None:
    """Measure, print and write the table."""
    args = options(__doc__.splitlines()[0]).parse_args()
    with kept_in(args.keep) as folder:
        clips, again = clips_for(args, folder)
        with ProcessPoolExecutor(args.processes, get_context("spawn"), initializer=alone) as pool:
            pairs = []
            for done in pool.map(partial(pair, folder=folder / "sessions"), clips):
                told = [
                    f"{s.bounces.n_found}/{len(done.truth.must_t_s)} false {s.bounces.n_false}"
                    if s else "nothing" for s in done.scores
                ]  # fmt: skip
                print(done.truth.name, *told, sep="  ", flush=True)
                pairs.append(done)
    text = table(HEAD, rows_of(pairs))
    print(text)
    if args.write:
        write_part(args.write, stamped(text, again))


if __name__ == "__main__":
    main()
