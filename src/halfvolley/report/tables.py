"""The statistics of a report as tables: one row a number, one a stroke, one a rally."""

import io
import math
from collections.abc import Iterator
from typing import Any

from halfvolley.errors import Unknown
from halfvolley.match.density import Density
from halfvolley.match.intervals import Interval
from halfvolley.match.kinds import KINDS, kinds_of
from halfvolley.match.records import Estimate, StrokeRecord
from halfvolley.match.statistics import PlayerSummary, Spread, StrokeSummary, group_strokes
from halfvolley.match.zones import Shares
from halfvolley.report.material import Material
from halfvolley.report.pages.targets import target_results

Row = dict[str, Any]
NUMBERS = ("n", "unknown", "value", "low", "high", "sd")
STATISTICS = ("player", "group", "quantity", "unit", *NUMBERS, "interval")


def statistics_files(m: Material) -> dict[str, bytes]:
    """CSV and Parquet of the tables statistics, strokes and rallies, by file name."""
    tables = {
        "statistics": _table(list(_statistics(m)), STATISTICS),
        "strokes": _table(list(_strokes(m)), ()),
        "rallies": _table(list(_rallies(m)), ()),
    }
    files: dict[str, bytes] = {}
    for name, table in tables.items():
        files |= _written(name, table)
    return files


def _statistics(m: Material) -> Iterator[Row]:
    for player in m.statistics.players:
        strokes = m.strokes_of(player.name)
        kinds = dict(zip((id(s) for s in strokes), kinds_of(strokes), strict=True))
        groups = [
            ("all", player.strokes),
            *((f"phase: {name}", s) for name, s in player.by_phase),
            *((f"kind: {name}", s) for name, s in
              group_strokes(strokes, lambda s, kinds=kinds: kinds[id(s)], KINDS)),  # type: ignore[misc]
        ]  # fmt: skip
        for group, summary in groups:
            if summary.n:
                for row in _of_strokes(summary):
                    yield {"player": player.name, "group": group} | row
        for row in (*_of_points(player), *_of_targets(m, strokes)):
            yield {"player": player.name, "group": "all"} | row


def _of_strokes(s: StrokeSummary) -> Iterator[Row]:
    yield {"quantity": "strokes", "unit": "1", "n": s.n, "value": float(s.n)}
    for name, unit, spread in (
        ("speed", "m/s", s.speed_mps), ("topspin", "rev/s", s.topspin_revps),
        ("sidespin", "rev/s", s.sidespin_revps), ("net clearance", "m", s.clearance_m),
        ("time given", "s", s.given_s),
    ):  # fmt: skip
        if isinstance(spread, Spread):
            yield from _of_spread(name, unit, spread)
    for name, shares in (("depth", s.depth), ("width", s.width), ("end", s.fates)):
        yield from _of_shares(name, shares)
    if not isinstance(s.direction, Unknown):
        d = s.direction
        for name, value, sd in (("direction, mean", d.mean_rad, d.mean_sd_rad),
                                ("direction, circular sd", d.sd_rad, None)):  # fmt: skip
            yield {"quantity": name, "unit": "deg", "n": d.n, "value": math.degrees(value),
                   "sd": None if sd is None else math.degrees(sd)}  # fmt: skip
    if isinstance(s.density, Density):
        for name, area in (("area of 50 %", s.density.area_50_m2),
                           ("area of 90 %", s.density.area_90_m2)):  # fmt: skip
            yield {"quantity": name, "unit": "m²", "n": s.density.n, "value": area.value,
                   "sd": area.sd}  # fmt: skip


def _of_spread(name: str, unit: str, spread: Spread) -> Iterator[Row]:
    common = {"unit": unit, "n": spread.n, "unknown": spread.unknown}
    yield common | {"quantity": f"{name}, median", "value": spread.median,
                    **_interval(spread.median_interval, "order statistics 95 %")}  # fmt: skip
    yield common | {"quantity": f"{name}, mean", "value": spread.mean, "sd": spread.sd}
    for share, value in ((10, spread.low), (25, spread.q25), (75, spread.q75), (90, spread.high)):
        yield common | {"quantity": f"{name}, {share} %", "value": value}


def _of_shares(name: str, shares: Shares) -> Iterator[Row]:
    for s in shares.shares:
        if shares.total:
            yield {"quantity": f"{name}: {s.label}", "unit": "1", "n": shares.total,
                   "unknown": shares.unknown, "value": s.count / shares.total,
                   **_interval(s.interval, "Wilson 95 %")}  # fmt: skip


def _of_points(p: PlayerSummary) -> Iterator[Row]:
    shares = [("points won", p.decided, p.share_won), ("points won, serving", None, p.won_serving),
              ("points won, receiving", None, p.won_receiving)]  # fmt: skip
    shares += [(f"points won, {c.label} strokes", c.decided, c.interval) for c in p.by_length]
    for name, n, share in shares:
        if isinstance(share, Interval):
            yield {"quantity": name, "unit": "1", "n": n, "value": share.value,
                   **_interval(share, "Wilson 95 %")}  # fmt: skip


def _of_targets(m: Material, strokes: list[StrokeRecord]) -> Iterator[Row]:
    for r in target_results(m, strokes):
        if r.tries:
            yield {"quantity": f"target {r.target.name}", "unit": "1", "n": r.tries,
                   "value": r.hits / r.tries, **_interval(r.interval, "Wilson 95 %")}  # fmt: skip


def _interval(interval: Interval | Unknown, name: str) -> Row:
    if isinstance(interval, Unknown):
        return {}
    return {"low": interval.low, "high": interval.high, "interval": name}


def _strokes(m: Material) -> Iterator[Row]:
    """Strokes as their striker sees them; places in metres."""
    for s in m.records.strokes:
        guess, place = m.kind_of(s), s.placement
        yield {
            "clip": s.clip, "stroke_id": s.stroke_id, "rally_id": s.rally_id, "number": s.number,
            "phase": s.phase, "player": s.player, "end": s.end, "t_s": s.t_s,
            **_estimate("speed", "mps", s.speed_mps),
            **_estimate("topspin", "revps", s.topspin_revps),
            **_estimate("sidespin", "revps", s.sidespin_revps),
            **_estimate("direction", "rad", s.direction_rad),
            **_estimate("elevation", "rad", s.elevation_rad),
            **_estimate("clearance", "m", s.clearance_m),
            "height_m": s.height_m, "behind_m": s.behind_m, "waited_s": s.waited_s,
            "given_s": s.given_s,
            "depth_m": None if place is None else place.depth_m,
            "right_m": None if place is None else place.right_m,
            "cov_dd_m2": None if place is None else place.cov_dd_m2,
            "cov_dr_m2": None if place is None else place.cov_dr_m2,
            "cov_rr_m2": None if place is None else place.cov_rr_m2,
            "fate": s.fate, "kind": guess.best,
            **{f"p_{kind}": guess.of(kind) for kind in KINDS},
        }  # fmt: skip


def _estimate(name: str, unit: str, value: Estimate | None) -> Row:
    return {f"{name}_{unit}": None if value is None else value.value,
            f"{name}_sd_{unit}": None if value is None else value.sd}  # fmt: skip


def _rallies(m: Material) -> Iterator[Row]:
    score = {(s.clip, s.rally_id): s for s in m.records.score}
    for r in m.records.rallies:
        s = score.get((r.clip, r.rally_id))
        b = None if s is None else s.before
        yield {
            "clip": r.clip, "rally_id": r.rally_id, "t_start_s": r.t_start_s, "t_end_s": r.t_end_s,
            "server": r.name(r.server), "n_strokes": r.n_strokes, "how": r.outcome.how,
            "winner": r.name(r.outcome.winner), "probability": r.outcome.probability,
            "doubt": r.outcome.doubt or None,
            "games_a": None if b is None else b.games_a,
            "games_b": None if b is None else b.games_b,
            "points_a": None if b is None else b.points_a,
            "points_b": None if b is None else b.points_b,
            "score_probability": None if s is None else s.probability,
        }  # fmt: skip


def _table(rows: list[Row], columns: tuple[str, ...]) -> Any:
    import pyarrow as pa

    if not rows:
        return pa.table({name: pa.array([], pa.string()) for name in columns or ("clip",)})
    names = columns or tuple(rows[0])
    return pa.table({name: _array([row.get(name) for row in rows]) for name in names})


def _array(values: list[Any]) -> Any:
    """A column; what is not a finite number is null."""
    import pyarrow as pa

    return pa.array([None if isinstance(v, float) and not math.isfinite(v) else v for v in values])


def _written(name: str, table: Any) -> dict[str, bytes]:
    import pyarrow.csv
    import pyarrow.parquet

    parquet, csv = io.BytesIO(), io.BytesIO()
    pyarrow.parquet.write_table(table, parquet, compression="zstd")
    pyarrow.csv.write_csv(table, csv)
    return {f"{name}.parquet": parquet.getvalue(), f"{name}.csv": csv.getvalue()}
