"""A refined course as arcs and contacts, with covariances carried to where they are wanted."""

import numpy as np

from halfvolley.flight.refine import Course, Setting, air_of, arc_end
from halfvolley.flight.shared import BEND, GRAVITY, LIFT, N_GLOBALS
from halfvolley.types import Arc, Contact, FloatArray


def arcs_and_contacts(
    c: Course, s: Setting, number: int, first_arc: int, first_contact: int
) -> tuple[list[Arc], list[Contact]]:
    """Arcs and contacts of one course; ids count on from those given."""
    arcs, contacts = [], []
    k, cov = c.n_arcs, c.cov
    arc_of = c.arc_of(s.seen.t_s[c.rows])
    ends = [float(t) for t in c.starts[1:]] + [float(s.seen.t_s[c.rows[-1]])]
    for i in range(k):
        at = slice(9 * i, 9 * i + 9)
        _, _, drag, lift, _, _, bend = air_of(c, s, i)
        arcs.append(
            Arc(
                first_arc + i, float(c.starts[i]), ends[i], c.states[i, :3], c.states[i, 3:6],
                c.states[i, 6:], cov[at, at], drag, lift, bend, c.rows[arc_of == i],
                float(c.residual_rms[i]),
                first_contact + i - 1 if i > 0 else -1, first_contact + i if i < k - 1 else -1,
            )
        )  # fmt: skip
    for i, kind in enumerate(c.kinds):
        after = slice(9 * i + 9, 9 * i + 18)
        end, cov_in = _before(c, cov, s, i)
        cov_out = cov[after, after]
        contacts.append(
            Contact(
                first_contact + i, kind if kind != "same" else "other", float(c.starts[i + 1]),
                float(np.sqrt(cov[9 * k + i, 9 * k + i])), c.states[i + 1, :3],
                cov_out[:3, :3], end[3:6], cov_in[3:6, 3:6], end[6:], cov_in[6:, 6:],
                c.states[i + 1, 3:6], cov_out[3:6, 3:6], c.states[i + 1, 6:], cov_out[6:, 6:],
                first_arc + i, first_arc + i + 1, c.chances[i], number,
            )
        )  # fmt: skip
    return arcs, contacts


def _before(c: Course, cov: FloatArray, s: Setting, i: int) -> tuple[FloatArray, FloatArray]:
    """State (9,) just before contact i and its covariance, with time and air included."""
    k, n = c.n_arcs, len(cov)
    end, d_state, d_air, change = arc_end(c, s, i)
    J = np.zeros((9, n))
    J[:, 9 * i : 9 * i + 9] = d_state
    at_globals = n - N_GLOBALS
    J[:, at_globals + GRAVITY : at_globals + LIFT + 1] = d_air[:, :3]
    J[:, at_globals + BEND] = d_air[:, 3]
    J[:, 10 * k - 1 + 2 * i : 10 * k + 1 + 2 * i] = d_air[:, 1:3]
    J[:, 9 * k + i] += change
    if i > 0:
        J[:, 9 * k + i - 1] -= change
    return end, J @ cov @ J.T
