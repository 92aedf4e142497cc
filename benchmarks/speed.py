"""How fast is `measure` up to its tables, beside decoding alone, and how much memory does it take?

    python benchmarks/speed.py                       a made clip, repeated to a minute
    python benchmarks/speed.py --rest                the same with rests of 70 % of the time
    python benchmarks/speed.py --clip CLIP --long --formats --write speed

A short clip is repeated by copying its stream, so the timestamps run on and nothing is coded again.
Decoding alone (PyAV, threads as it likes) and `measure` (a new session each time) take turns in one
process in which everything is compiled. `rate = frames / time`; `share = rate of measure / rate of
decoding alone`, so 1 would be free. What a fresh process costs, and memory, are taken in processes
of their own.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from itertools import cycle
from pathlib import Path

import av
import numpy as np
from made import Wanted, make
from pages import command, stamped, table, write_part
from plain import plain_bounces

from halfvolley import load_clip, measure, new_session, probe
from halfvolley.camera import project
from halfvolley.session.pipeline import STAGES
from halfvolley.simulate import ClipSettings, make_clip, random_scene

SECONDS, LONG_S, SHORT_S, PIECE_S = 60.0, 1200.0, 10.0, 3.0
REST_S, RESTS = 7.0, 3  # of a piece without play, and how many of them follow one with play
ROUNDS = 3
UHD = (3840, 2160)
MADE = Wanted(1, 0)
CORNERS_M = np.array([[-1, -1, 0], [-1, 1, 0], [1, 1, 0], [1, -1, 0]]) * [1.37, 0.7625, 0.0]


# --- clips ---------------------------------------------------------------------------------------
def repeat(pieces: list[Path], out: Path, seconds: float) -> Path:
    """The pieces again and again, at least so long; packets are copied, stamps run on.

    Pieces must be coded alike, as those that one program made with the same settings are.
    """
    with av.open(str(out), "w") as writer:
        streams = {}
        last: dict[int, int] = {}
        start_s = 0.0
        for piece in cycle(pieces):
            if start_s >= seconds - 1e-6:
                break
            info = probe(piece)
            with av.open(str(piece)) as reader:
                for stream in (*reader.streams.video[:1], *reader.streams.audio[:1]):
                    if stream.index not in streams:
                        streams[stream.index] = writer.add_stream_from_template(stream)
                for packet in reader.demux(*(reader.streams[i] for i in streams)):
                    if packet.dts is None:
                        continue
                    index = packet.stream.index
                    shift = round(Fraction(start_s).limit_denominator(10**6) / packet.time_base)
                    packet.pts, packet.dts = packet.pts + shift, packet.dts + shift
                    if packet.dts <= last.get(index, packet.dts - 1):
                        continue  # sound that is longer than the picture
                    last[index] = packet.dts
                    packet.stream = streams[index]
                    writer.mux(packet)
            start_s += float(info.pts_s[-1] - info.pts_s[0]) + info.frame_interval_s
    return out


def resting(wanted: Wanted, folder: Path) -> Path:
    """The same hall, camera and players between rallies: nobody plays."""
    clip = folder / f"rest-{wanted.name}.mp4"
    rng = np.random.default_rng([wanted.seed, wanted.number])
    scene = random_scene(rng, wanted.view, size_px=wanted.picture)
    make_clip(clip, scene, rng, REST_S, ClipSettings(play=None))
    return clip


def recode(
    clip: Path, out: Path, seconds: float, size_px: tuple[int, int], codec: str, pixels: str
) -> Path:
    """The first seconds of a clip in another size or with other pixels."""
    with av.open(str(clip)) as reader, av.open(str(out), "w") as writer:
        video = reader.streams.video[0]
        video.thread_type = "AUTO"
        coded = writer.add_stream(codec, rate=video.average_rate)
        coded.width, coded.height, coded.pix_fmt = *size_px, pixels
        coded.time_base = video.time_base
        coded.options = {"crf": "20", "preset": "veryfast"}
        for frame in reader.decode(video):
            if frame.time - float(video.start_time or 0) * float(video.time_base) >= seconds:
                break
            new = frame.reformat(*size_px, format=pixels)
            new.pts, new.time_base = frame.pts, frame.time_base
            writer.mux(coded.encode(new))
        writer.mux(coded.encode(None))
    return out


# --- one run of each -----------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Run:
    """A call of `measure`."""

    took_s: float
    stages_s: dict[str, float]


def decoded(clip: Path) -> int:
    """Frames of a clip, decoded and thrown away."""
    with av.open(str(clip)) as reader:
        stream = reader.streams.video[0]
        stream.thread_type = "AUTO"
        return sum(1 for _ in reader.decode(stream))


def measured(clip: Path, session: Path) -> Run:
    """`measure` in a new session, with the time that each stage took."""
    new_session(session, [clip])
    names = {stage.doing: stage.name for stage in STAGES}
    spent: dict[str, float] = {}
    started = since = time.perf_counter()
    doing = ""

    def tell(text: str, share: float) -> None:
        nonlocal since, doing
        now = time.perf_counter()
        said = text.split(": ", 1)[-1]
        if said != doing:
            if doing:
                spent[names.get(doing, doing)] = now - since
            doing, since = said, now

    measure(session, progress=tell)
    now = time.perf_counter()
    # the last stage is followed by the writing of the tables, which tells nothing
    spent["tables" if doing == STAGES[-1].doing else names.get(doing, doing)] = now - since
    return Run(now - started, spent)


def child(clip: Path, session: Path) -> None:
    """A run in a process of its own: time since its start is the caller's to know."""
    run = measured(clip, session)
    peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps({"took_s": run.took_s, "peak_mb": peak_kb / 1024}))


def in_fresh_process(clip: Path, session: Path) -> tuple[float, float]:
    """Seconds from start to end of a process that measures a clip, and its peak memory [MB]."""
    words = [sys.executable, __file__, "--child", str(clip), str(session)]
    started = time.perf_counter()
    done = subprocess.run(words, check=True, capture_output=True, text=True)
    took_s = time.perf_counter() - started
    return took_s, float(json.loads(done.stdout.splitlines()[-1])["peak_mb"])


# --- the table -----------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Rates:
    """Decoding alone and `measure` in turns, on one clip."""

    frames: int
    seconds: float  # that the clip plays
    decode_s: list[float]
    runs: list[Run]

    @property
    def share(self) -> list[float]:
        """Of each round."""
        return [a / b.took_s for a, b in zip(self.decode_s, self.runs, strict=True)]


def in_turns(clip: Path, folder: Path, rounds: int) -> Rates:
    """Decoding, measuring, decoding, measuring ..."""
    info = probe(clip)
    decode_s, runs = [], []
    for k in range(rounds):
        started = time.perf_counter()
        frames = decoded(clip)
        decode_s.append(time.perf_counter() - started)
        runs.append(measured(clip, folder / f"session-{clip.stem}-{k}"))
        print(f"{clip.name}: {frames / decode_s[-1]:.0f} and {frames / runs[-1].took_s:.0f} "
              "frames/s", flush=True)  # fmt: skip
    return Rates(len(info.pts_s), len(info.pts_s) * info.frame_interval_s, decode_s, runs)


def spread(values: list[float], shown: str = "{:.1f}") -> str:
    """Median and range."""
    text = shown.format(float(np.median(values)))
    if len(values) > 1:
        text += f" ({shown.format(min(values))}-{shown.format(max(values))})"
    return text


def rows_of(name: str, r: Rates, target: float = 0.4) -> list[list[str]]:
    """Lines of the table for one clip."""
    return [
        [f"{name}: decoding alone, frames/s", spread([r.frames / s for s in r.decode_s], "{:.0f}")],
        [f"{name}: measure, frames/s", spread([r.frames / m.took_s for m in r.runs], "{:.0f}")],
        [f"{name}: share (target >= {target})", spread(r.share, "{:.2f}")],
        [
            f"{name}: times as fast as the clip plays (target > 1)",
            spread([r.seconds / m.took_s for m in r.runs], "{:.2f}"),
        ],
    ]


def rival_s(clip: Path, session: Path) -> float:
    """Time of the plain method, with the corners of the camera that was found."""
    corners = project(load_clip(session).scan.camera.camera, CORNERS_M)
    started = time.perf_counter()
    plain_bounces(clip, corners)
    return time.perf_counter() - started


def stage_rows(r: Rates) -> list[list[str]]:
    """Time by stage for each second of footage."""
    names = [n for n in r.runs[0].stages_s]
    return [
        [f"of it {n}, ms for each second of footage",
         spread([1e3 * m.stages_s.get(n, 0.0) / r.seconds for m in r.runs], "{:.0f}")]
        for n in names
    ]  # fmt: skip


def format_rows(piece: Path, folder: Path, warm_rounds: int) -> list[list[str]]:
    """4K at 60 frames a second, and 10 bits a sample."""
    size = probe(piece).size_px
    cases = {
        "4K H.264": (UHD, "libx264", "yuv420p"),
        "10-bit HEVC": (size, "libx265", "yuv420p10le"),
    }
    rows = []
    for name, (size_px, codec, pixels) in cases.items():
        stem = name.replace(" ", "-").replace(".", "")
        short = recode(piece, folder / f"{stem}-piece.mp4", PIECE_S, size_px, codec, pixels)
        clip = repeat([short], folder / f"{stem}.mp4", SHORT_S)
        rows += rows_of(name, in_turns(clip, folder, warm_rounds))
        _, peak = in_fresh_process(clip, folder / f"memory-{stem}")
        rows.append([f"{name}: peak memory, MB", f"{peak:.0f}"])
    return rows


def rest_rows(piece: Path, folder: Path, said: argparse.Namespace) -> list[list[str]]:
    """Play with rests between, as in ordinary footage."""
    rest = resting(MADE, folder)
    clip = repeat([piece, *[rest] * RESTS], folder / "rests.mp4", said.seconds)
    share = RESTS * REST_S / (RESTS * REST_S + MADE.seconds)
    name = f"{100 * share:.0f} % rest, {said.seconds:.0f} s"
    return rows_of(name, in_turns(clip, folder, said.rounds), target=0.35)


def benchmark(piece: Path, folder: Path, said: argparse.Namespace) -> str:
    """All numbers for one clip."""
    brief = recode(piece, folder / "warm.mp4", PIECE_S, probe(piece).size_px, "libx264", "yuv420p")
    measured(brief, folder / "compile")  # everything is compiled and kept on disk from here on
    warm_s = measured(brief, folder / "warm").took_s
    fresh_s, _ = in_fresh_process(brief, folder / "fresh")
    clip = repeat([piece], folder / "minute.mp4", said.seconds)
    info = probe(clip)
    name = f"{info.size_px[1]}p{1 / info.frame_interval_s:.0f}, {said.seconds:.0f} s"
    r = in_turns(clip, folder, said.rounds)
    rows = [*rows_of(name, r), *stage_rows(r)]
    rows.append(["start-up of a process, s, not in the above", f"{fresh_s - warm_s:.1f}"])
    rival = rival_s(clip, folder / f"session-{clip.stem}-0")
    rows.append(["plain method, frames/s", f"{r.frames / rival:.0f}"])
    short = repeat([piece], folder / "short.mp4", SHORT_S)
    _, peak_short = in_fresh_process(short, folder / "memory-short")
    length = LONG_S if said.long else said.seconds
    long = repeat([piece], folder / "long.mp4", length) if said.long else clip
    _, peak_long = in_fresh_process(long, folder / "memory-long")
    rows.append([f"peak memory, {SHORT_S:.0f} s, MB (target < 1500)", f"{peak_short:.0f}"])
    rows.append([f"peak memory, {length / 60:.0f} min, MB (within 15 %)", f"{peak_long:.0f}"])
    if said.rest:
        rows += rest_rows(piece, folder, said)
    if said.formats:
        rows += format_rows(piece, folder, 1)
    return table(["", "median (range)"], rows)


@contextmanager
def kept_in(folder: Path | None) -> Iterator[Path]:
    """A fresh folder, below the one given or among temporary files; sessions must be new."""
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="speed-", dir=folder) as made:
        yield Path(made)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clip", type=Path, help="a clip to repeat; made where left out")
    parser.add_argument("--seconds", type=float, default=SECONDS, help="length after repetition")
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--long", action="store_true", help="memory also of 20 minutes")
    parser.add_argument("--rest", action="store_true", help="also with rests; not with --clip")
    parser.add_argument("--formats", action="store_true", help="also 4K and 10 bits")
    parser.add_argument("--keep", type=Path, help="where the clips are made")
    parser.add_argument("--write", metavar="PART", help="put the table into docs/benchmarks.md")
    parser.add_argument("--child", type=Path, nargs=2, help=argparse.SUPPRESS)
    said = parser.parse_args()
    if said.rest and said.clip:
        parser.error("--rest makes its own clips; leave out --clip")
    if said.child:
        child(*said.child)
        return
    with kept_in(said.keep) as folder:
        piece = said.clip or make(MADE, folder)
        text = stamped(benchmark(piece, folder, said), command((said.clip,)))
    print("\n" + text)
    if said.write:
        write_part(said.write, text)


if __name__ == "__main__":
    main()
