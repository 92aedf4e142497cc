"""The columns of the tables: name, type, unit and meaning, in one place.

`docs/session.md` shows them and a test holds it to this list; the Parquet files carry units and
meanings with each column. Raise `TABLES_VERSION` when a column changes.
"""

from dataclasses import dataclass

TABLES_VERSION = 2


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    name: str
    kind: str  # text, whole, number, day, or yes or no
    unit: str
    meaning: str
    null: str = ""  # when it is null; "" never


def _text(name: str, meaning: str, null: str = "") -> Column:
    return Column(name, "text", "", meaning, null)


def _whole(name: str, meaning: str, null: str = "") -> Column:
    return Column(name, "whole", "", meaning, null)


def _number(name: str, unit: str, meaning: str, null: str = "") -> Column:
    return Column(name, "number", unit, meaning, null)


_UNLESS_TABLE = "not known; never for table"
_CLIP = _text("clip", "name of the clip in session.toml")

CONTACTS = (
    _CLIP,
    _whole("contact_id", "number of the contact, unique within the clip"),
    _whole("rally_id", "rally it belongs to", "outside every rally"),
    _text("kind", "table, racket, net, edge, floor or other"),
    _number("t_s", "s", "time of the touch on the clip's own clock"),
    _number("t_sd_s", "s", "its standard deviation"),
    _number("x_m", "m", "along the table: contact point if table, else centre", _UNLESS_TABLE),
    _number("y_m", "m", "across the table, likewise", _UNLESS_TABLE),
    _number("z_m", "m", "above the playing surface, likewise; 0 for table", _UNLESS_TABLE),
    _number("cov_xx_m2", "m²", "variance of x_m", _UNLESS_TABLE),
    _number("cov_xy_m2", "m²", "covariance of x_m and y_m", _UNLESS_TABLE),
    _number("cov_yy_m2", "m²", "variance of y_m", _UNLESS_TABLE),
    _text("side", "half of the table, A or B", "not a touch of the table"),
    _text(
        "player", "end, A or B: who touched it for racket, else who struck last",
        "before the serve and outside every rally",
    ),
    _number("speed_in_mps", "m/s", "speed just before", "not seen before"),
    _number("speed_in_sd_mps", "m/s", "its standard deviation", "not seen before"),
    _number("speed_out_mps", "m/s", "speed just after", "not seen after"),
    _number("speed_out_sd_mps", "m/s", "its standard deviation", "not seen after"),
    _number("spin_in_revps", "rev/s", "topspin just before; backspin is negative", "not seen"),
    _number("spin_in_sd_revps", "rev/s", "its standard deviation", "not observable"),
    _number("spin_out_revps", "rev/s", "topspin just after; backspin is negative", "not seen"),
    _number("spin_out_sd_revps", "rev/s", "its standard deviation", "not observable"),
    _number("probability", "1", "that the contact happened and is of this kind; at least 0.5"),
)  # fmt: skip

STATE = ("x", "y", "z", "vx", "vy", "vz", "wx", "wy", "wz")
STATE_UNITS = ("m", "m", "m", "m/s", "m/s", "m/s", "rad/s", "rad/s", "rad/s")


def _times(one: str, two: str) -> str:
    return f"({one})²" if one == two else f"{one} · {two}"


ARCS = (
    _CLIP,
    _whole("arc_id", "number of the flight, unique within the clip"),
    _whole("rally_id", "rally it belongs to", "outside every rally"),
    _number("t0_s", "s", "start: the contact it comes from, or the first sight of the ball"),
    _number("t1_s", "s", "end: the contact it leads to, or the last sight of the ball"),
    _whole("contact_in", "contact_id it comes from", "not seen"),
    _whole("contact_out", "contact_id it leads to", "not seen"),
    *(
        _number(f"{name}0_{unit}", unit_text, f"{what} at t0_s")
        for name, unit, unit_text, what in (
            ("x", "m", "m", "centre of the ball"), ("y", "m", "m", "centre of the ball"),
            ("z", "m", "m", "centre of the ball"), ("vx", "mps", "m/s", "velocity"),
            ("vy", "mps", "m/s", "velocity"), ("vz", "mps", "m/s", "velocity"),
            ("wx", "radps", "rad/s", "spin"), ("wy", "radps", "rad/s", "spin"),
            ("wz", "radps", "rad/s", "spin"),
        )
    ),
    *(
        _number(
            f"cov_{STATE[i]}_{STATE[j]}", _times(STATE_UNITS[i], STATE_UNITS[j]),
            f"covariance of {STATE[i]} and {STATE[j]} at t0_s",
        )
        for i in range(9)
        for j in range(i, 9)
    ),
    _number("drag", "1", "drag coefficient used"),
    _number("lift", "1", "scale of the lift law used: CL = lift S / (lift_bend S + 1)"),
    _number("lift_bend", "1", "bend of the lift law used; 0 where lift is linear in S"),
    _whole("n_detections", "how many detections lie on it"),
    _number("residual_rms", "1", "residual over its claimed error; 1 where the errors are right"),
)  # fmt: skip

_AXES = ("x", "y", "z")

STROKES = (
    _CLIP,
    _whole("stroke_id", "number of the stroke, unique within the clip"),
    _whole("contact_id", "its racket contact in contacts"),
    _whole("rally_id", "rally it belongs to", "outside every rally"),
    _whole("number", "place in the rally; 1 is the serve", "the serve was not seen"),
    _text("player", "end of the striker, A or B"),
    _text("player_name", "the striker's name from session.toml", "no name was given"),
    _number("t_s", "s", "time of the touch on the clip's own clock"),
    _number("t_sd_s", "s", "its standard deviation"),
    _number("speed_mps", "m/s", "speed just after", "not seen after"),
    _number("speed_sd_mps", "m/s", "its standard deviation", "not seen after"),
    *(_number(f"v{a}_mps", "m/s", "velocity just after", "not seen after") for a in _AXES),
    *(
        _number(
            f"cov_v{_AXES[i]}_v{_AXES[j]}", "(m/s)²", "covariance of the velocity",
            "not seen after",
        )
        for i in range(3)
        for j in range(i, 3)
    ),
    *(_number(f"spin_{a}_revps", "rev/s", "spin just after", "not observable") for a in _AXES),
    *(
        _number(
            f"cov_spin_{_AXES[i]}_{_AXES[j]}_revps2", "(rev/s)²", "covariance of the spin",
            "one of the two is not observable",
        )
        for i in range(3)
        for j in range(i, 3)
    ),
    _whole("bounce_id", "contact_id of the bounce on the other side that it led to", "none seen"),
)  # fmt: skip

RALLIES = (
    _CLIP,
    _whole("rally_id", "number of the rally, unique within the clip"),
    _number("t_start_s", "s", "the serve's racket contact", "not known"),
    _number("t_start_sd_s", "s", "its standard deviation", "not known"),
    _text("start", "seen, or foretold from the serve's first flight", "not known"),
    _number(
        "t_end_s",
        "s",
        "first touch after the ball is decided; else of the net it fell back from",
        "not known, or after the clip",
    ),
    _number("t_end_sd_s", "s", "its standard deviation", "not known, or after the clip"),
    _text("end", "seen, or foretold from the last flight", "not known, or after the clip"),
    _text("server", "end of the server, A or B", "the serve was not seen"),
    _text("server_name", "the server's name from session.toml", "not seen, or no name was given"),
    _whole("n_strokes", "strokes, also those that were not seen but must have happened"),
    _whole("n_bounces", "bounces on the table that were measured"),
    _text("outcome", "net, out, own side, double bounce, missed, let or unknown"),
    _text("winner", "end of the winner, A or B", "not known, and after a let"),
    _number("outcome_probability", "1", "that the winner, or the let, is right", "unknown"),
    _text("doubt", "why the outcome is not known, or not surely", "no doubt"),
)

DETECTIONS = (
    _CLIP,
    _whole("frame", "index of the frame in the order of display, from 0"),
    _number("t_s", "s", "stamp of the frame; the ball was seen exposure/2 + readout · v/H later"),
    _number("u_px", "px", "streak's centre, to the right; 0 is the centre of the first pixel"),
    _number("v_px", "px", "streak's centre, down"),
    _number("cov_uu_px2", "px²", "variance of u_px"),
    _number("cov_uv_px2", "px²", "covariance of u_px and v_px"),
    _number("cov_vv_px2", "px²", "variance of v_px"),
    _number("radius_px", "px", "half the width across the streak"),
    _number("streak_u_px", "px", "travel during the exposure, sign unknown"),
    _number("streak_v_px", "px", "travel during the exposure, sign unknown"),
    _number("score", "1", "0 to 1, how much it looks like the ball"),
    _text("source", "classical, network, or recovered along a flight"),
    _whole("arc_id", "flight that it lies on", "on none"),
)  # fmt: skip

DROPS = (
    _CLIP,
    _whole("drop_id", "number of the drop within the clip, from 1"),
    _whole("bounce", "number of the bounce within the drop, from 1"),
    _whole("contact_id", "its contact in contacts"),
    _number("t_s", "s", "time of the touch on the clip's own clock"),
    _number("t_sd_s", "s", "its standard deviation"),
    _number("x_m", "m", "along the table"),
    _number("y_m", "m", "across the table"),
    _number("speed_in_mps", "m/s", "vertical speed just before"),
    _number("speed_in_sd_mps", "m/s", "its standard deviation"),
    _number("speed_out_mps", "m/s", "vertical speed just after"),
    _number("speed_out_sd_mps", "m/s", "its standard deviation"),
    _number("restitution", "1", "speed after over speed before"),
    _number("restitution_sd", "1", "its standard deviation"),
    _number("fall_m", "m", "height from which a ball at rest comes so fast, to its lowest point"),
    _number("fall_sd_m", "m", "its standard deviation"),
    _number("rise_m", "m", "height to which it rises, to its lowest point"),
    _number("rise_sd_m", "m", "its standard deviation"),
)

_UNSEEN = "the ball was not seen there"

MARKS = (
    _CLIP,
    _text("mark", "which mark, right and left as the player at that end sees them"),
    _number("t_s", "s", "middle of the time that the ball lay there", _UNSEEN),
    _number("u_px", "px", "where it was seen, to the right", _UNSEEN),
    _number("v_px", "px", "where it was seen, down", _UNSEEN),
    _number("true_x_m", "m", "where the ball's centre lay, along the table"),
    _number("true_y_m", "m", "where the ball's centre lay, across the table"),
    _number("seen_x_m", "m", "where the camera puts it", _UNSEEN),
    _number("seen_y_m", "m", "where the camera puts it", _UNSEEN),
    _number("cov_xx_m2", "m²", "claimed variance of the difference along the table", _UNSEEN),
    _number("cov_xy_m2", "m²", "its claimed covariance", _UNSEEN),
    _number("cov_yy_m2", "m²", "its claimed variance across the table", _UNSEEN),
    _number("off_mm", "mm", "distance between the two", _UNSEEN),
    _number("off_sd_mm", "mm", "its claimed standard deviation", _UNSEEN),
)

COLUMNS = {
    "contacts": CONTACTS,
    "arcs": ARCS,
    "strokes": STROKES,
    "rallies": RALLIES,
    "detections": DETECTIONS,
    "drops": DROPS,
    "marks": MARKS,
}
CSV_TOO = (  # small enough to be read as text
    "contacts", "arcs", "strokes", "rallies", "drops", "marks",
)  # fmt: skip
