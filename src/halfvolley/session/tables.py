"""tables/: the newest complete result, for anyone to read.

The manifest is taken away first and written last, so that a half-written set is never taken for a
result.
"""

import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from halfvolley.errors import Unknown
from halfvolley.session.columns import COLUMNS, CSV_TOO, TABLES_VERSION, Column
from halfvolley.session.files import storing, write_atomic
from halfvolley.session.manifest import MANIFEST
from halfvolley.session.rows import (
    arc_rows,
    contact_rows,
    detection_columns,
    drop_rows,
    mark_rows,
    rally_rows,
    stroke_rows,
)
from halfvolley.session.schema import ClipEntry, Session
from halfvolley.types import CAMERA_PARAMETERS, ClipCamera, Flights, Play, Shutter

if TYPE_CHECKING:
    from halfvolley.camera import MarksCheck
    from halfvolley.flight import Drops

CAMERA = "camera.json"


@dataclass(frozen=True, slots=True, eq=False)
class ClipTables:
    """What the tables need of one measured clip."""

    entry: ClipEntry
    camera: ClipCamera
    flights: Flights
    play: Play
    warnings: tuple[str, ...]
    marks: "MarksCheck | Unknown | None" = None  # of a clip of that kind
    drops: "Drops | Unknown | None" = None


def write_tables(
    session: Session, clips: Iterable[ClipTables], failed: Mapping[str, str], key: str
) -> None:
    """Write all tables of a session.

    Parameters
    ----------
    session : Session
        Where, and the players' names.
    clips : iterable of ClipTables
        The measured clips.
    failed : mapping of str to str
        Clips that could not be measured, and why.
    key : str
        Names the run in the manifest.

    Raises
    ------
    StorageError
        If they could not be written; there is no manifest then.
    """
    clips = list(clips)
    files = _encode(session, clips)
    folder = session.folder / "tables"
    with storing(folder):
        (folder / MANIFEST).unlink(missing_ok=True)
    for name, content in files.items():
        write_atomic(folder / name, content)
    manifest = {
        "schema_version": TABLES_VERSION,
        "run": key,
        "files": {name: len(content) for name, content in files.items()},
        "clips": {
            clip.entry.name: {
                "players": {"A": session.player_a, "B": session.player_b},
                "end_a": clip.entry.end_a,
                "warnings": list(clip.warnings),
            }
            for clip in clips
        },
        "not_measured": dict(failed),
    }
    write_atomic(folder / MANIFEST, json.dumps(manifest, indent=1, ensure_ascii=False))


def _encode(session: Session, clips: list[ClipTables]) -> dict[str, bytes]:
    rows: dict[str, list[dict[str, Any]]] = {
        "contacts": [r for c in clips for r in contact_rows(c.entry.name, c.play)],
        "arcs": [r for c in clips for r in arc_rows(c.entry.name, c.flights, c.play)],
        "strokes": [r for c in clips for r in stroke_rows(c.entry.name, c.play, session)],
        "rallies": [r for c in clips for r in rally_rows(c.entry.name, c.play, session)],
        "drops": [r for c in clips for r in drop_rows(c.entry.name, c.drops)],
        "marks": [
            r for c in clips for r in mark_rows(c.entry.name, c.marks, session.ball.radius_m)
        ],
    }
    tables = {
        name: _table(name, {c.name: [row[c.name] for row in table_rows] for c in COLUMNS[name]})
        for name, table_rows in rows.items()
    }
    tables["detections"] = _detections(clips)
    files: dict[str, bytes] = {}
    for name, table in tables.items():
        files |= _files(name, table)
    files[CAMERA] = _camera_json(clips)
    return files


def _detections(clips: list[ClipTables]) -> Any:
    import pyarrow as pa

    columns = COLUMNS["detections"]
    nothing = _table("detections", {c.name: [] for c in columns})
    parts = [
        _table("detections", detection_columns(c.entry.name, c.flights, c.play)) for c in clips
    ]
    return pa.concat_tables([nothing, *parts])


def _table(name: str, columns: Mapping[str, list[Any] | NDArray[Any]]) -> Any:
    metadata = {"halfvolley_table": name, "schema_version": str(TABLES_VERSION)}
    return arrow_table(COLUMNS[name], columns, metadata)


def arrow_table(
    described: Sequence[Column],
    columns: Mapping[str, list[Any] | NDArray[Any]],
    metadata: Mapping[str, str],
) -> Any:
    """An Arrow table whose columns carry their units and meanings; NaN becomes null.

    Parameters
    ----------
    described : sequence of Column
        The columns in order.
    columns : mapping of str to list or array
        Their values by name.
    metadata : mapping of str to str
        Of the whole table.
    """
    import pyarrow as pa

    fields = [_field(column) for column in described]
    arrays = [_array(columns[f.name], f.type) for f in fields]
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=dict(metadata)))


def _files(name: str, table: Any) -> dict[str, bytes]:
    import pyarrow.csv
    import pyarrow.parquet

    stream = io.BytesIO()
    pyarrow.parquet.write_table(table, stream, compression="zstd")
    files = {f"{name}.parquet": stream.getvalue()}
    if name in CSV_TOO:
        stream = io.BytesIO()
        pyarrow.csv.write_csv(table, stream)
        files[f"{name}.csv"] = stream.getvalue()
    return files


def _field(column: Column) -> Any:
    import pyarrow as pa

    kinds = {
        "text": pa.string(), "whole": pa.int64(), "number": pa.float64(), "day": pa.date32(),
        "yes or no": pa.bool_(),
    }  # fmt: skip
    metadata = {"unit": column.unit, "meaning": column.meaning, "null": column.null or "never"}
    return pa.field(column.name, kinds[column.kind], metadata=metadata)


def _array(values: list[Any] | NDArray[Any], kind: Any) -> Any:
    """An Arrow column; NaN becomes null."""
    import pyarrow as pa

    if isinstance(values, list):
        return pa.array([_cell(v) for v in values], type=kind)
    mask = np.ma.getmaskarray(values)
    return pa.array(np.ma.getdata(values), mask=mask, type=kind, from_pandas=True)


def _cell(value: Any) -> Any:
    """A plain value; what is not a finite number is null, never NaN."""
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value


def _camera_json(clips: list[ClipTables]) -> bytes:
    content = {
        "schema_version": TABLES_VERSION,
        "clips": {
            clip.entry.name: _one_camera(clip.camera, clip.flights.shutter) for clip in clips
        },
    }
    return json.dumps(content, indent=1).encode()


def _one_camera(clip_camera: ClipCamera, shutter: Shutter) -> dict[str, Any]:
    camera = clip_camera.camera
    sd = {
        name: _cell(math.sqrt(max(0.0, variance)))
        for name, variance in zip(CAMERA_PARAMETERS, np.diag(camera.cov), strict=True)
    }
    sd |= {"readout_s": _cell(shutter.readout_sd_s), "exposure_s": _cell(shutter.exposure_sd_s)}
    return {
        "size_px": list(camera.size_px),
        "K": camera.K.tolist(),
        "distortion": camera.k.tolist(),
        "R": camera.R.tolist(),
        "t": camera.t_m.tolist(),
        "readout_s": _cell(shutter.readout_s),
        "exposure_s": _cell(shutter.exposure_s),
        "shutter_source": shutter.source,
        "sd": sd,
        "residual_px": _cell(clip_camera.residual_px),
        "residual_mm": _cell(clip_camera.residual_mm),
        "usable_s": clip_camera.usable_s.tolist(),
        "warnings": list(clip_camera.warnings),
    }
