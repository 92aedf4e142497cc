"""Limits of the match stage."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from halfvolley.match.ending import EndSettings
from halfvolley.types import Side


@dataclass(frozen=True, slots=True)
class PlaySettings:
    """Limits of `find_play`; part of the stage's key."""

    min_probability: float = 0.5  # a contact less sure than this takes no part
    max_gap_s: float = 2.0  # a high lob is 1.5 s in the air; the next serve takes longer than this
    toss_mps: float = 1.5  # a tossed ball travels no faster than this along the floor,
    toss_fall_mps: float = 0.5  # and falls at least so fast when it is struck (ITTF Law 2.6.2)
    serve_inside_m: float = 0.1  # and lies behind the end line (Law 2.6.4), as well as that is seen
    sure_x_m: float = 0.3  # nearer to the net than this, the direction says more than the place
    sure_vx_mps: float = 0.5  # slower than this along the table, a direction means nothing
    same_s: float = 0.05  # between a touch and the one that was foretold, if they are the same
    least_serve_mps: float = 1.5  # slower along the table, a ball is no serve
    serve_inside_end_m: float = 0.3  # a serve whose stroke was not seen is seen no further inside
    toss_near_m: float = 0.5  # along the table, from where its toss began
    toss_gap_s: float = 0.15  # after the toss was last seen,
    toss_s: float = 0.1  # which was in sight for so long
    behind_m: float = 0.2  # without a toss: a server strikes so far behind the end line,
    behind_sd_m: float = 0.15  # give or take this
    end: EndSettings = field(default_factory=EndSettings)
    # who struck, by contact, where a person says so; filled in from words
    strikers: Mapping[int, Side] = field(default_factory=dict)
