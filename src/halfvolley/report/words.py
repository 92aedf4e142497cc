"""Results in words and figures, as a person reads them; shared by the console and the page."""

from halfvolley.session.read import ClipSummary, ContactRow, RallyRow

DASH = "–"  # what is not known
BOUNCE_HEADS = (
    "no.", "time", "x", "y", "±95 %", "half", "struck by", "speed in", "speed out", "topspin in",
    "topspin out",
)  # fmt: skip
BOUNCE_UNITS = ("", "s", "m", "m", "mm", "", "", "m/s", "m/s", "rev/s", "rev/s")
STROKE_HEADS = ("rally", "stroke", "time", "player", "speed", "topspin", "bounce")
STROKE_UNITS = ("", "", "s", "", "m/s", "rev/s", "no.")


def with_sd(value: float | None, sd: float | None, digits: int) -> str:
    """A value with its standard deviation, or a dash."""
    if value is None or sd is None:
        return DASH
    return f"{value:.{digits}f} ± {sd:.{digits}f}"


def player_words(clip: ClipSummary, end: str | None) -> str:
    """The name of a player, else the end."""
    names = {"A": clip.player_a, "B": clip.player_b}
    return DASH if end is None else names.get(end) or end


def bounce_cells(clip: ClipSummary, number: int, row: ContactRow, error_mm: float) -> list[str]:
    """One bounce under `BOUNCE_HEADS`."""
    return [
        str(number), f"{row.t_s:.3f}", f"{row.x_m:+.3f}", f"{row.y_m:+.3f}", f"{error_mm:.0f}",
        row.side or DASH, player_words(clip, row.player),
        with_sd(row.speed_in_mps, row.speed_in_sd_mps, 2),
        with_sd(row.speed_out_mps, row.speed_out_sd_mps, 2),
        with_sd(row.spin_in_revps, row.spin_in_sd_revps, 0),
        with_sd(row.spin_out_revps, row.spin_out_sd_revps, 0),
    ]  # fmt: skip


def stroke_rows(clip: ClipSummary) -> list[list[str]]:
    """All strokes under `STROKE_HEADS`."""
    contacts = {c.contact_id: c for c in clip.contacts}
    numbers = {c.contact_id: i for i, c in enumerate(clip.bounces, start=1)}
    rows = []
    for stroke in clip.strokes:
        contact = contacts[stroke.contact_id]
        bounce = numbers.get(stroke.bounce_id) if stroke.bounce_id is not None else None
        rows.append(
            [
                DASH if stroke.rally_id is None else str(stroke.rally_id),
                DASH if stroke.number is None else str(stroke.number),
                f"{stroke.t_s:.3f}",
                player_words(clip, stroke.player),
                with_sd(stroke.speed_mps, stroke.speed_sd_mps, 2),
                with_sd(contact.spin_out_revps, contact.spin_out_sd_revps, 0),
                DASH if bounce is None else str(bounce),
            ]
        )
    return rows


def rally_words(clip: ClipSummary, rally: RallyRow) -> str:
    """One rally as a sentence."""
    strokes = f"{rally.n_strokes} {'stroke' if rally.n_strokes == 1 else 'strokes'}"
    if rally.server is None:
        start = "its beginning was not seen"
    elif rally.t_start_s is None:
        start = f"served by {player_words(clip, rally.server)}, the serve itself not seen"
    else:
        start = f"served by {player_words(clip, rally.server)} at {rally.t_start_s:.2f} s"
    end = "its end was not seen" if rally.t_end_s is None else f"decided at {rally.t_end_s:.2f} s"
    if rally.end == "foretold":
        end += " as its last flight foretells"
    return f"Rally {rally.rally_id}: {start}, {strokes}, {end}"


def camera_words(clip: ClipSummary) -> str:
    """How well the camera is known."""
    c = clip.camera
    x, y, z = c.place_m
    words = f"Camera at x {x:+.2f}, y {y:+.2f} m, {z:.2f} m above the table."
    if c.residual_px is not None and c.residual_mm is not None:
        words += f" The lines fit to {c.residual_px:.2f} px ({c.residual_mm:.1f} mm on the table)."
    if c.readout_s is not None and c.exposure_s is not None:
        readout = with_sd(1e3 * c.readout_s, 1e3 * (c.readout_sd_s or 0.0), 1)
        exposure = with_sd(1e3 * c.exposure_s, 1e3 * (c.exposure_sd_s or 0.0), 2)
        words += f" Readout {readout} ms, exposure {exposure} ms ({c.shutter_source})."
    return words


def unknown_words(clip: ClipSummary) -> list[str]:
    """What the footage could not tell, counted."""
    said = []
    rackets = [c for c in clip.contacts if c.kind == "racket"]
    for rows, what, values in (
        (clip.bounces, "bounces", "spin before"), (clip.bounces, "bounces", "spin after"),
        (rackets, "strokes", "speed after"), (rackets, "strokes", "spin after"),
    ):  # fmt: skip
        name = {
            "spin before": "spin_in_revps", "spin after": "spin_out_revps",
            "speed after": "speed_out_mps",
        }[values]  # fmt: skip
        missing = sum(getattr(row, name) is None for row in rows)
        if missing:
            said.append(f"{values} {missing} of {len(rows)} {what}: the view does not show it")
    ends = sum(r.t_end_s is None for r in clip.rallies)
    if ends:
        said.append(f"end of {ends} of {len(clip.rallies)} rallies: not in view or after the clip")
    starts = sum(r.t_start_s is None for r in clip.rallies)
    if starts:
        said.append(f"start of {starts} of {len(clip.rallies)} rallies: before the clip or unseen")
    return said
