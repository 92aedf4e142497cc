"""Serves whose stroke was hidden, added to what was seen.

A serve touches the server's side of the table before the other; no other stroke may touch the
striker's own side (ITTF Laws 2.6.3 and 2.7.1). So a ball that bounces there and leaves for the
other end, with nothing in play before, was served, also where a body hid the stroke, or stroke and
bounce lie so near to each other that no flight between them was seen.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.flight.refine import Setting
from halfvolley.flight.struck import Path, State, back_over_bounce, risen, struck
from halfvolley.types import Arc, Contact, ContactKind

LEAST_MPS = 1.5  # slower along the table, a ball is no serve
TOSS_MPS = 1.5  # a tossed ball travels no faster than this along the floor,
TOSS_S = 0.1  # was in sight for so long,
TOSS_GAP_S = 0.15  # until so shortly before the serve was seen,
TOSS_NEAR_M = 0.5  # so near to it along the table
QUIET_S = 1.0  # within a rally, two flights over the table are no further apart
WATCHED_S = 0.5  # a ball that was struck without a toss was on its way, in sight, for so long
IN_PLAY_MPS = 2.0  # along the table,
FEWEST_ROWS = 6  # by so many sightings
PROBABILITY = 0.9  # of touches that the laws demand and nobody saw


def with_serves(
    arcs: Sequence[Arc], contacts: Sequence[Contact], s: Setting, from_s: float, vague_m: float
) -> tuple[tuple[Arc, ...], tuple[Contact, ...]]:
    """The same, with the strokes of serves that were hidden, and with their first bounces.

    Parameters
    ----------
    arcs, contacts : sequence
        All of a clip; an id is the place in its sequence.
    s : Setting
        The lines of sight that arcs refer to, and the air.
    from_s : float
        When the clip begins [s].
    vague_m : float
        A serve whose bounce is known no better than this is not added.

    Returns
    -------
    tuple
        Arcs, those of such serves beginning with their contact; contacts in time order, with new
        numbers.
    """
    out, more = list(arcs), list(contacts)
    for arc in arcs:
        if not _may_be_serve(arc):
            continue
        toss = _toss(arc, arcs)
        if toss is None and any(_in_play(a, arc.t0_s) for a in arcs if a is not arc):
            continue
        watched = toss is not None or arc.t0_s - from_s > WATCHED_S
        hidden = _hidden(arc, toss, arcs, contacts[arc.contact_out], s, watched)
        if any(c.kind == "table" and np.trace(c.cov_xyz_m2[:2, :2]) > vague_m**2 for c in hidden):
            continue
        for contact in hidden:
            if contact.t_s < from_s:
                break
            more.append(replace(contact, contact_id=len(more)))
            if contact.arc_out == arc.arc_id:
                out[arc.arc_id] = _from(more[-1], arc, s)
            if contact.arc_in != -1:
                out[contact.arc_in] = replace(
                    arcs[contact.arc_in], t1_s=contact.t_s, contact_out=len(more) - 1
                )
    return _in_order(out, more)


def _in_order(
    arcs: list[Arc], contacts: list[Contact]
) -> tuple[tuple[Arc, ...], tuple[Contact, ...]]:
    """The same with contacts in time order, numbered so."""
    ordered = sorted(contacts, key=lambda c: c.t_s)
    place = {c.contact_id: i for i, c in enumerate(ordered)} | {-1: -1}
    return (
        tuple(
            replace(a, contact_in=place[a.contact_in], contact_out=place[a.contact_out])
            for a in arcs
        ),
        tuple(replace(c, contact_id=i) for i, c in enumerate(ordered)),
    )


def _may_be_serve(arc: Arc) -> bool:
    """Whether a flight that comes from nowhere leaves the half of the table that it begins on."""
    away = -float(np.sign(arc.xyz_m[0]) * arc.v_mps[0])
    return arc.contact_in == -1 and arc.contact_out != -1 and away > LEAST_MPS


def _toss(arc: Arc, arcs: Sequence[Arc]) -> Arc | None:
    """A ball in the air, going up and down, that was last seen where a flight begins."""
    for toss in arcs:
        gap = arc.t0_s - toss.t1_s
        near = abs(float(toss.xyz_m[0] - arc.xyz_m[0])) < TOSS_NEAR_M
        slow = float(np.hypot(*toss.v_mps[:2])) < TOSS_MPS
        if 0.0 <= gap < TOSS_GAP_S and near and slow and toss.t1_s - toss.t0_s > TOSS_S:
            return toss
    return None


def _in_play(arc: Arc, t_s: float) -> bool:
    """Whether a ball flew over the table, as it does in play, shortly before a time."""
    if not (arc.t0_s < t_s < arc.t1_s + QUIET_S and len(arc.rows) >= FEWEST_ROWS):
        return False
    x, y, _ = arc.xyz_m + 0.5 * (arc.t1_s - arc.t0_s) * arc.v_mps
    over = abs(x) < TABLE_LENGTH_M.value / 2 and abs(y) < TABLE_WIDTH_M.value
    return bool(over and abs(arc.v_mps[0]) > IN_PLAY_MPS)


def _hidden(
    arc: Arc, toss: Arc | None, arcs: Sequence[Arc], after: Contact, s: Setting, watched: bool
) -> tuple[Contact, ...]:
    """Stroke and first bounce that lead to an arc, as far as they are not known; () for no serve.

    `after` is the contact that the arc leads to. A bounce that was not seen is looked for only
    where a ball on its way before would have been seen.
    """
    path, end = Path.of(arc, s.air), float(np.sign(arc.xyz_m[0]))
    tossed = None if toss is None else Path.of(toss, s.air)
    own = after.kind == "table" and end * after.xyz_m[0] > 0.0
    bounce: State | None = None
    latest = arc.t0_s
    if own and not len(arc.rows):  # unseen before that bounce
        path = back_over_bounce(Path.of(arcs[after.arc_out], s.air).state(after.t_s), path.air)
        latest = after.t_s
    elif not own:
        bounce = risen(path, arc.t0_s, s.frame_s, end) if watched else None
        if bounce is None:
            return ()
        path, latest = back_over_bounce(bounce, path.air), bounce.t_s
    stroke = struck(path, latest, end, tossed)
    if stroke is None:
        return ()
    by = -1 if toss is None else toss.arc_id
    if bounce is None:
        return (_contact("racket", stroke, tossed, by, arc.arc_id, after.chain),)
    return (
        _contact("racket", stroke, tossed, by, -1, after.chain),
        _contact("table", bounce, path, -1, arc.arc_id, after.chain),
    )


def _contact(
    kind: ContactKind, out: State, before: Path | None, arc_in: int, arc_out: int, chain: int
) -> Contact:
    """A contact with the state after it; `before` is the flight that led to it, if known."""
    into, C = np.full(9, np.nan), np.full((9, 9), np.nan)
    if before is not None:
        state = before.state(out.t_s)
        into, C = state.x, state.cov
    return Contact(
        -1, kind, out.t_s, out.t_sd_s, out.x[:3], out.cov[:3, :3], into[3:6], C[3:6, 3:6],
        into[6:], C[6:, 6:], out.x[3:6], out.cov[3:6, 3:6], out.x[6:], out.cov[6:, 6:],
        arc_in, arc_out, PROBABILITY, chain,
    )  # fmt: skip


def _from(contact: Contact, arc: Arc, s: Setting) -> Arc:
    """The arc, beginning with a contact that leads to it."""
    return replace(
        arc, t0_s=contact.t_s, xyz_m=contact.xyz_m, v_mps=contact.v_out_mps,
        omega_radps=contact.omega_out_radps, cov=Path.of(arc, s.air).state(contact.t_s).cov,
        rows=arc.rows[s.seen.t_s[arc.rows] > contact.t_s], contact_in=contact.contact_id,
    )  # fmt: skip
