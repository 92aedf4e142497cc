"""Limits of the match stage."""

from dataclasses import dataclass, field

from halfvolley.match.ending import EndSettings


@dataclass(frozen=True, slots=True)
class PlaySettings:
    """Limits of `find_play`; who changes one raises the stage's version."""

    min_probability: float = 0.5  # a contact less sure than this takes no part
    max_gap_s: float = 2.0  # a high lob is 1.5 s in the air; the next serve takes longer than this
    toss_mps: float = 1.5  # a tossed ball travels no faster than this along the floor,
    toss_fall_mps: float = 0.5  # and falls at least so fast when it is struck (ITTF Law 2.6.2)
    serve_inside_m: float = 0.1  # and lies behind the end line (Law 2.6.4), as well as that is seen
    sure_x_m: float = 0.3  # nearer to the net than this, the direction says more than the place
    sure_vx_mps: float = 0.5  # slower than this along the table, a direction means nothing
    same_s: float = 0.05  # between a touch and the one that was foretold, if they are the same
    end: EndSettings = field(default_factory=EndSettings)
