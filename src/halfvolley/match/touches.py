"""What a touch of unknown kind was, where its place and the ball's turn leave one answer only."""

from dataclasses import replace

import numpy as np

from halfvolley.constants import (
    BALL_RADIUS_M,
    NET_HEIGHT_M,
    NET_OVERHANG_M,
    STANDARD_GRAVITY_MPS2,
    TABLE_FRICTION,
    TABLE_HEIGHT_M,
    TABLE_LENGTH_M,
    TABLE_WIDTH_M,
)
from halfvolley.types import Contact

WIDEST_M = 0.1  # a place known less well could be anywhere beside the table
CLEAR_M = 0.3  # above the table and clear of the net
FOOT_M = 0.015  # so little above the table, the next touch follows within a few hundredths
NEAR_M = 0.03  # a place is known to about a centimetre; wider, it could be a racket
MOST_FRICTION = TABLE_FRICTION.value + 2.0 * TABLE_FRICTION.sd
HALF_LENGTH_M, HALF_WIDTH_M = TABLE_LENGTH_M.value / 2, TABLE_WIDTH_M.value / 2
LONGEST_HOP_S = 1.0  # of a ball that nobody struck: it leaves the table at 5 m/s at most
HOP_SLACK, HOP_SLACK_S = 1.3, 0.05  # drag, topspin and the error of the speed


def named(contact: Contact) -> Contact:
    """The contact, as net, table or edge where it can be nothing else.

    Parameters
    ----------
    contact : Contact
        Only one of kind "other" is looked at, and a stroke where no racket can be.

    Returns
    -------
    Contact
        "floor" where a falling ball was sent up again as high as the floor. "other" for a stroke
        in mid-air that hardly turned the ball. "net" within the plane of the net, up to its cord.
        "edge" at the border of the table where a falling ball was pushed up more than friction on
        the vertical side could: that was the edge of its upper side, which is good (ITTF Laws 2.1.2
        and 2.7); one that was pushed aside met the table's side, and stays what it is. "table"
        where the ball was sent up again over the table and kept its way, or for a stroke that did
        no more to a ball on the table than the table does.
    """
    if contact.kind in ("other", "racket") and _on_floor(contact):
        return replace(contact, kind="floor")
    if contact.kind == "racket" and in_mid_air(contact):
        return replace(contact, kind="other")
    if contact.kind == "racket" and _on_table(contact):
        return replace(contact, kind="table")
    if contact.kind != "other":
        return contact
    if _in_net(contact):
        return replace(contact, kind="net")
    into, out = contact.v_in_mps, contact.v_out_mps
    if abs(contact.xyz_m[2]) > 2 * NEAR_M or not into[2] < 0:
        return contact
    outside, push = _outside_m(contact), out - into
    if -NEAR_M < outside < BALL_RADIUS_M.value + _slack_m(contact):
        # friction alone turns the push of the vertical side up by no more than this
        by_side = push[2] < MOST_FRICTION * np.hypot(*push[:2])
        return contact if by_side else replace(contact, kind="edge")
    if outside <= -NEAR_M and out[2] > 0 and into[0] * out[0] > 0:
        return replace(contact, kind="table")
    return contact


def falls_back(contact: Contact, going: int) -> bool:
    """Whether a ball that touched the net does not go on.

    Parameters
    ----------
    contact : Contact
        Of kind "net".
    going : int
        1 where it was on its way to +x, else -1.
    """
    return bool(going * contact.v_out_mps[0] <= 0)


def at_foot_of_net(contact: Contact) -> bool:
    """Whether a ball that touches the net lies on the table as well."""
    return bool(contact.xyz_m[2] < BALL_RADIUS_M.value + FOOT_M)


def _on_floor(contact: Contact) -> bool:
    off = float(contact.xyz_m[2]) - (BALL_RADIUS_M.value - TABLE_HEIGHT_M.value)
    return bool(abs(off) < NEAR_M and contact.v_in_mps[2] < 0 < contact.v_out_mps[2])


def _on_table(contact: Contact) -> bool:
    """Whether the ball lay on the table and left it as from a bounce."""
    into, out = contact.v_in_mps, contact.v_out_mps
    low = abs(float(contact.xyz_m[2]) - BALL_RADIUS_M.value) < FOOT_M
    if not low or _outside_m(contact) > -NEAR_M or not 0.0 < out[2] < -into[2]:
        return False
    return bool(np.hypot(*(out - into)[:2]) < MOST_FRICTION * (out[2] - into[2]))


def _in_net(contact: Contact) -> bool:
    x, y, z = contact.xyz_m
    reach = BALL_RADIUS_M.value + NEAR_M
    sd = float(np.sqrt(contact.cov_xyz_m2[2, 2]))
    high = NET_HEIGHT_M.value + BALL_RADIUS_M.value + float(np.clip(2.0 * sd, NEAR_M, WIDEST_M))
    return bool(abs(x) < reach and abs(y) < HALF_WIDTH_M + NET_OVERHANG_M.value and 0.0 < z < high)


def in_mid_air(contact: Contact) -> bool:
    """Whether a touch of unknown kind lies where nobody reaches, and hardly turned the ball.

    Such a one is two fits of one flight that do not meet well, and no touch.
    """
    over = _outside_m(contact) < 0.0 and float(contact.xyz_m[2]) > CLEAR_M
    into, out = (
        contact.v_in_mps[[0, 2]],
        contact.v_out_mps[[0, 2]],
    )  # across, a side view sees little
    return bool(over and np.hypot(*(out - into)) < 0.5 * np.hypot(*into))


def _slack_m(contact: Contact) -> float:
    """How far outside the border a touch of the edge may seem to lie."""
    sd = float(np.sqrt(max(contact.cov_xyz_m2[0, 0], contact.cov_xyz_m2[1, 1])))
    return float(np.clip(2.0 * sd, NEAR_M, WIDEST_M))


def _outside_m(contact: Contact) -> float:
    """How far outside the border of the table; negative over it."""
    x, y, _ = contact.xyz_m
    return float(max(abs(x) - HALF_LENGTH_M, abs(y) - HALF_WIDTH_M))


def may_follow(bounce: Contact, later: Contact) -> bool:
    """Whether a ball that bounced could come down again so late without having been struck.

    Parameters
    ----------
    bounce, later : Contact
        Two bounces on one side.
    """
    up = float(bounce.v_out_mps[2])
    longest = LONGEST_HOP_S
    if np.isfinite(up) and up > 0:
        longest = min(longest, HOP_SLACK * 2.0 * up / STANDARD_GRAVITY_MPS2.value + HOP_SLACK_S)
    return later.t_s - bounce.t_s < longest
