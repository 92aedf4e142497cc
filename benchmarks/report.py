"""How long does the report of an hour's play take, how much memory, and how large are its files?

    python benchmarks/report.py
    python benchmarks/report.py --minutes 60 --write report

The session is an invented one, tables without footage: rallies as `made_session` plays them, and a
table of possible balls as long as an hour at 60 frames a second gives. Each report is written by a
process of its own, so that its time holds the start and its memory is its own.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from made_session import make_session
from pages import command, stamped, table, write_part

from halfvolley.session.read import read_summary

RALLY_S = 11.3  # one rally and the pause after it, as `made_session` plays on average
RATE_HZ, CANDIDATES = 60, 2  # possible balls a frame
WAYS = {"page alone": "None", "page, PDF, figures, tables": "'A4'"}
CODE = "from halfvolley import write_report; write_report({folder!r}, paper={paper})"


@dataclass(frozen=True, slots=True)
class Cost:
    """What one report took."""

    way: str
    wall_s: float
    cpu_s: float
    memory_MB: float
    html_MB: float
    pdf_MB: float
    all_MB: float


def make(folder: Path, minutes: float, seed: int = 7) -> None:
    """An invented session of that length, with a table of possible balls."""
    make_session(folder, rallies=max(1, round(60.0 * minutes / RALLY_S)), seed=seed)
    write_detections(folder, minutes, np.random.default_rng(seed))


def write_detections(folder: Path, minutes: float, rng: np.random.Generator) -> None:
    """Possible balls of every frame, one of them on the flight where there is one."""
    path = folder / "tables" / "detections.parquet"
    schema = pq.read_schema(path)
    arcs = pq.read_table(folder / "tables" / "arcs.parquet").to_pydict()
    frame = np.repeat(np.arange(round(60.0 * RATE_HZ * minutes)), CANDIDATES)
    t = frame / RATE_HZ
    start, end = np.array(arcs["t0_s"]), np.array(arcs["t1_s"])
    which = np.searchsorted(start, t, side="right") - 1
    flying = (which >= 0) & (t <= end[np.maximum(which, 0)]) & (np.arange(len(t)) % CANDIDATES == 0)
    arc = np.ma.masked_array(np.array(arcs["arc_id"])[np.maximum(which, 0)], ~flying)
    columns = {}
    for field in schema:
        if pa.types.is_string(field.type):
            said = "evening" if field.name == "clip" else "classical"
            columns[field.name] = pa.array([said] * len(t), field.type)
        elif pa.types.is_integer(field.type):
            values = arc if field.name == "arc_id" else frame
            mask = np.ma.getmaskarray(values)
            columns[field.name] = pa.array(np.ma.getdata(values), field.type, mask=mask)
        else:
            values = t if field.name == "t_s" else rng.uniform(1.0, 1000.0, len(t))
            columns[field.name] = pa.array(values, field.type)
    pq.write_table(pa.table(columns, schema=schema), path, compression="zstd")
    manifest = folder / "tables" / "manifest.json"
    content = json.loads(manifest.read_text(encoding="utf-8"))
    content["files"][path.name] = path.stat().st_size
    manifest.write_text(json.dumps(content), encoding="utf-8")


def measure(folder: Path, way: str) -> Cost:
    """Write a report in a process of its own; the largest so far counts as its memory."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    started = time.monotonic()
    code = CODE.format(folder=str(folder), paper=WAYS[way])
    subprocess.run([sys.executable, "-c", code], check=True)
    wall_s = time.monotonic() - started
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    report = folder / "report"
    sizes = {p: p.stat().st_size / 1e6 for p in report.rglob("*") if p.is_file()}
    return Cost(
        way, wall_s, cpu_s, after.ru_maxrss / 1024.0, sizes[report / "report.html"],
        sizes.get(report / "report.pdf", 0.0), sum(sizes.values()),
    )  # fmt: skip


def cost_table(folder: Path, costs: list[Cost]) -> str:
    """What was measured, as Markdown."""
    (clip,) = read_summary(folder).clips
    head = ["report", "time", "processor", "memory", "page", "PDF", "all files"]
    rows = [
        [c.way, f"{c.wall_s:.1f} s", f"{c.cpu_s:.1f} s", f"{c.memory_MB:.0f} MB",
         f"{c.html_MB:.1f} MB", f"{c.pdf_MB:.1f} MB" if c.pdf_MB else "–", f"{c.all_MB:.1f} MB"]
        for c in costs
    ]  # fmt: skip
    said = f"{len(clip.rallies)} rallies, {len(clip.strokes)} strokes, {len(clip.bounces)} bounces"
    return f"{said}.\n\n{table(head, rows)}"


def main() -> None:
    """Make, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the session")
    parser.add_argument("--write", help="name of the part of docs/benchmarks.md to write")
    said = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "session"
        make(folder, said.minutes)
        text = cost_table(folder, [measure(folder, way) for way in WAYS])
    print(text)
    if said.write:
        write_part(said.write, stamped(text, command()))


if __name__ == "__main__":
    main()
