"""Reading tables/ back as rows, for reports and notebooks."""

import json
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Literal, TypeVar

from halfvolley.errors import BadSession
from halfvolley.session.manifest import read_manifest
from halfvolley.session.tables import CAMERA
from halfvolley.types import ContactKind, OutcomeKind, Side

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class ContactRow:
    """A row of `contacts`, all of its columns; docs/session.md says what they mean."""

    clip: str
    contact_id: int
    rally_id: int | None
    kind: ContactKind
    t_s: float
    t_sd_s: float
    x_m: float
    y_m: float
    z_m: float
    cov_xx_m2: float
    cov_xy_m2: float
    cov_yy_m2: float
    side: Side | None
    player: Side | None
    speed_in_mps: float | None
    speed_in_sd_mps: float | None
    speed_out_mps: float | None
    speed_out_sd_mps: float | None
    spin_in_revps: float | None
    spin_in_sd_revps: float | None
    spin_out_revps: float | None
    spin_out_sd_revps: float | None
    probability: float


@dataclass(frozen=True, slots=True)
class StrokeRow:
    """The columns of `strokes` that a reader needs first."""

    clip: str
    stroke_id: int
    contact_id: int
    rally_id: int | None
    number: int | None
    player: Side
    player_name: str | None
    t_s: float
    speed_mps: float | None
    speed_sd_mps: float | None
    bounce_id: int | None


@dataclass(frozen=True, slots=True)
class RallyRow:
    """A row of `rallies`."""

    clip: str
    rally_id: int
    t_start_s: float | None
    t_end_s: float | None
    server: Side | None
    server_name: str | None
    n_strokes: int
    n_bounces: int
    # columns since version 2 of the tables
    t_start_sd_s: float | None = None
    start: Literal["seen", "foretold"] | None = None
    t_end_sd_s: float | None = None
    end: Literal["seen", "foretold"] | None = None
    outcome: OutcomeKind = "unknown"
    winner: Side | None = None
    outcome_probability: float | None = None
    doubt: str | None = "measured by an earlier version: run halfvolley measure again"


@dataclass(frozen=True, slots=True)
class CameraRow:
    """What camera.json says about one clip, as far as a reader needs it."""

    place_m: tuple[float, float, float]
    residual_px: float | None
    residual_mm: float | None
    readout_s: float | None
    readout_sd_s: float | None
    exposure_s: float | None
    exposure_sd_s: float | None
    shutter_source: str


@dataclass(frozen=True, slots=True)
class ClipSummary:
    """The newest result of one clip."""

    clip: str
    player_a: str  # "" where no name was given
    player_b: str
    contacts: tuple[ContactRow, ...]
    strokes: tuple[StrokeRow, ...]
    rallies: tuple[RallyRow, ...]
    camera: CameraRow
    warnings: tuple[str, ...]

    @property
    def bounces(self) -> tuple[ContactRow, ...]:
        """Contacts with the table, in time order."""
        return tuple(c for c in self.contacts if c.kind == "table")


@dataclass(frozen=True, slots=True)
class Summary:
    """The newest result of a session."""

    folder: Path
    run: str
    clips: tuple[ClipSummary, ...]
    not_measured: tuple[tuple[str, str], ...]  # (clip, why)


def read_summary(folder: Path | str) -> Summary:
    """The newest complete result of a session.

    Parameters
    ----------
    folder : Path or str
        The session folder.

    Returns
    -------
    Summary
        Contacts, strokes, rallies and camera of each measured clip.

    Raises
    ------
    BadSession
        If there is no complete result.
    """
    folder = Path(folder)
    manifest = read_manifest(folder)
    if manifest is None:
        raise BadSession(f"{folder} has no complete result; run: halfvolley measure {folder}")
    tables = folder / "tables"
    contacts = _rows(tables, "contacts", ContactRow)
    strokes = _rows(tables, "strokes", StrokeRow)
    rallies = _rows(tables, "rallies", RallyRow)
    cameras = json.loads((tables / CAMERA).read_text(encoding="utf-8"))["clips"]
    clips = tuple(
        ClipSummary(
            clip=name,
            player_a=said["players"]["A"],
            player_b=said["players"]["B"],
            contacts=tuple(c for c in contacts if c.clip == name),
            strokes=tuple(s for s in strokes if s.clip == name),
            rallies=tuple(r for r in rallies if r.clip == name),
            camera=_camera(cameras[name]),
            warnings=tuple(said["warnings"]),
        )
        for name, said in manifest["clips"].items()
    )
    return Summary(folder, manifest["run"], clips, tuple(manifest["not_measured"].items()))


def _rows(tables: Path, name: str, kind: type[Row]) -> list[Row]:
    import pyarrow.parquet

    path = tables / f"{name}.parquet"
    there = set(pyarrow.parquet.read_schema(path).names)  # an older version knew fewer
    columns = [f.name for f in fields(kind) if f.name in there]  # type: ignore[arg-type]
    table = pyarrow.parquet.read_table(path, columns=columns)
    return [kind(**row) for row in table.to_pylist()]


def _camera(said: dict[str, Any]) -> CameraRow:
    R, t = said["R"], said["t"]
    x, y, z = (-sum(R[i][j] * t[i] for i in range(3)) for j in range(3))
    return CameraRow(
        (x, y, z), said["residual_px"], said["residual_mm"], said["readout_s"],
        said["sd"]["readout_s"], said["exposure_s"], said["sd"]["exposure_s"],
        said["shutter_source"],
    )  # fmt: skip
