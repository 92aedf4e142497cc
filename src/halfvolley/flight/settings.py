"""Limits of the flight stage; who changes one raises its version (`session.pipeline.STAGES`)."""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from halfvolley.constants import LIFT_MEETS_AT
from halfvolley.physics import Environment
from halfvolley.types import FloatArray


@dataclass(frozen=True, slots=True)
class FlightSettings:
    """How flights are told from other motion, and how contacts are judged."""

    detection_floor_px: float = 0.25  # no detection is believed better: coding, shading
    model_floor_px: float = 0.5  # nor before shutter, air and camera are fitted to the clip
    piece_excess: float = 3.0  # cost beyond what is expected, per free degree, of a ball's piece
    piece_penalty: float = 3.0  # log-odds against any piece; three sightings just pay for it
    even_gain: float = 3.0  # log-odds left to a piece that falls no more than it moves evenly
    least_fall: float = 2.0  # by which, for each sighting after three, a run cut out must fall
    trim_cost: float = 12.0  # an end sighting that costs more than this lies beyond a contact
    whole_cost: float = 6.0  # a part of a piece is kept only if it fits better by this
    bent_excess: float = 12.0  # of a piece that fits, but may be two with a stroke between
    shortest_split: int = 4  # shorter pieces are not searched for hidden contacts
    least_gain: float = 0.2  # a piece that promises less is not looked at
    still_radii: float = 0.5  # gravity alone moves a ball further than this in four frames
    size_ratio: float = 1.9  # seen radius over the ball's there, either way
    hall_low_m: tuple[float, float, float] = (-7.5, -4.5, -0.9)  # playing space 14 x 7 m and a bit
    hall_high_m: tuple[float, float, float] = (7.5, 4.5, 4.5)
    drag_sd: float = 0.03  # of a single piece or pair: what the fits of these may differ by
    fast_mps: float = 6.0  # along the table: what rolls, hops or is carried is slower
    fast_bend: float = 0.3  # of their lift: loops of 100 rev/s may bend as lift linear in spin does
    touch_sd_s: float = 0.006  # when two pieces meet, beyond the time unseen between them
    stroke_apart_s: float = 0.3  # no player strikes twice so soon: the next bounce comes later
    stray: float = 0.49  # factor on the probability of contacts in a chain that never bounces here
    shortest_hop_s: float = 0.12  # a ball that hops for less, by some 2 cm, comes to rest,
    shortest_hop_frames: float = 2.5  # and so does one whose hops are hardly seen
    faster_mps: float = 0.03  # no bounce gains more upwards: one sd of the law, which takes 7 %
    vague_m: float = 0.2  # a bounce whose place has a greater sd than this is a guess
    beside_m: float = 0.15  # a bounce this far beside the table is on another one
    sure: float = 0.85  # contacts less sure are judged again in the light of the whole chain
    reconsider_rounds: int = 3  # times: a kind that is found moves its neighbours
    max_gap_s: float = 0.45  # longest time unseen within a chain
    max_away_s: float = 2.0  # longest flight out of the picture: a lob 5 m high
    meeting_sd: float = 5.0  # pieces that miss each other by more are not joined
    meeting_slack_m: float = 0.02  # and what such a prediction may err by at once,
    meeting_slack_mps2: float = 3.0  # and by spin that the piece did not show
    junction_cost: float = 25.0  # two pieces meet if joining them costs less than this
    bounce_bonus: float = 6.0  # log-odds for a bounce on this table: other balls have none
    same_touch_s: float = 0.012  # two bounces within the same: a ball would hop by 0.2 mm
    break_penalty: float = 5.0  # log-odds against starting a new chain
    beside_gain: float = 12.0  # log-odds for a ball in play beside one that no longer is
    unseen_penalty_ps: float = 25.0  # log-odds against each second unseen within a chain
    fewest_sights: int = 6  # of a chain
    fewest_alone: int = 12  # of a chain without a contact
    most_extensions: int = 3  # bounces added at either end of a chain
    reach_bounce_s: float = 0.12  # how far beyond the last sighting a bounce is looked for
    blind_frames: float = 1.3  # a bounce this near to the last sighting needs no further one
    blind_inside_m: float = 0.03  # and this far inside the edge: rackets strike at the edge
    edge_m: float = 0.02  # how far outside the table a predicted bounce may lie
    extension_frames: int = 3  # in which first sightings beyond an added bounce are looked for
    extension_sd_mps: float = 1.0  # how well the bounce law predicts the velocity beyond
    same_bonus: float = 6.0  # -2 log-odds for one flight through a gap rather than a touch in it
    meet_m: float = 1.5  # two courses further apart than this, mostly in depth, do not meet
    two_touches_s: float = 0.2  # a longer gap may hold more than a stroke and a bounce
    recapture_px: float = 2.5  # a detection this near a refined flight is the ball
    reach_frames: int = 3  # how far beyond its ends a flight is followed without a sighting
    settle_rounds: int = 4
    gravity_sd_mps2: float = 0.15  # buoyancy, added mass, the ball's mass: 1 % each, and the hall
    bias_sd_px: float = 0.2  # what all detections may share: shading, coding; and with it
    bias_share: float = 0.5  # this share of the standard deviation of a single one

    environment: Environment = field(default_factory=Environment)  # ball and air of the hall

    @property
    def air(self) -> FloatArray:
        """(7,) gravity less buoyancy, b = rho A / 2m, drag, lift, spin decay, radius, bend."""
        return _air(self.environment)

    def piece_air(self, *velocities_mps: FloatArray) -> FloatArray:
        """(7,) the same for a single piece, or a pair, which tell nothing of how lift bends.

        A law that bends leaves fast flights with much spin unexplained where the true one does not;
        one that bends less explains more of what does not fly. All meet where lift is known best.

        Parameters
        ----------
        velocities_mps : (3,) float64
            Of each piece; the one that is fastest along the table tells the law.
        """
        fastest = max(abs(v[0]) for v in velocities_mps)
        return _bent(self.environment, self.fast_bend) if fastest >= self.fast_mps else self.air


@lru_cache(maxsize=8)
def _air(environment: Environment) -> FloatArray:
    air = np.array(environment.kernel_arguments)
    air.flags.writeable = False
    return air


@lru_cache(maxsize=8)
def _bent(environment: Environment, bend: float) -> FloatArray:
    """The air with lift that bends so, and is the same at `LIFT_MEETS_AT`."""
    air = np.array(environment.kernel_arguments)
    air[3] *= (1.0 + bend * LIFT_MEETS_AT) / (1.0 + air[6] * LIFT_MEETS_AT)
    air[6] = bend
    air.flags.writeable = False
    return air
