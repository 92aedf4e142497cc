"""The body of a player under given controls, as limbs: capsules, and a disc for the racket."""
# mypy: allow-untyped-defs

import math

import numpy as np
from numba import njit

N_LIMBS = 28
LIMB_COLUMNS = 19
"""A limb: end (3), radius, end (3), radius, colour (3), second colour (3), its span along the
limb (2), kind (0 capsule, 1 disc with its normal in place of the second end), 2 spare."""
PLAIN = 2.0  # a span beyond the limb: no second colour
TRUNK, HEAD, ARMS, LEGS, RACKET = 0, 4, 7, 15, 23  # first limb of each


@njit(cache=True)
def _bend(a, b, upper, lower, pole, joint):
    """joint (3,) of a chain from a towards b, bent towards pole; b moves to what can be reached."""
    d = b - a
    dist = math.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
    if dist < 1e-6:
        dist = 1e-6
    u = d / dist
    far = 0.999 * (upper + lower)
    if dist > far:
        for i in range(3):
            b[i] = a[i] + u[i] * far
        dist = far
    near = abs(upper - lower) + 0.02
    if dist < near:
        dist = near
    along = (upper * upper - lower * lower + dist * dist) / (2.0 * dist)
    out = math.sqrt(max(upper * upper - along * along, 0.0))
    side = pole - (pole[0] * u[0] + pole[1] * u[1] + pole[2] * u[2]) * u
    norm = math.sqrt(side[0] ** 2 + side[1] ** 2 + side[2] ** 2)
    if norm < 1e-6:
        norm = 1.0
    for i in range(3):
        joint[i] = a[i] + along * u[i] + out * side[i] / norm


@njit(cache=True)
def _limb(out, i, a, ra, b, rb, colour, second, t0, t1, kind):
    """Row i of the limbs: ends and radii, colours, the second one's span along it, and its kind."""
    for k in range(3):
        out[i, k] = a[k]
        out[i, 4 + k] = b[k]
        out[i, 8 + k] = colour[k]
        out[i, 11 + k] = second[k]
    out[i, 3] = ra
    out[i, 7] = rb
    out[i, 14] = t0
    out[i, 15] = t1
    out[i, 16] = kind
    out[i, 17] = 0.0
    out[i, 18] = 0.0


@njit(cache=True)
def skeletons(controls, h, hand, paint):
    """(n, N_LIMBS, LIMB_COLUMNS) bodies of a player of relative height h; hand +1 is right."""
    n = controls.shape[0]
    out = np.zeros((n, N_LIMBS, LIMB_COLUMNS))
    for i in range(n):
        _skeleton(controls[i], h, hand, paint, out[i])
    return out


@njit(cache=True)
def _plain(out, i, a, ra, b, rb, colour):
    """Row i of the limbs: a capsule of one colour."""
    _limb(out, i, a, ra, b, rb, colour, colour, PLAIN, PLAIN, 0)


@njit(cache=True)
def _length(d):
    return math.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)


@njit(cache=True)
def _skeleton(c, h, hand, paint, out):
    """All limbs of one moment; `c` are the controls, see `figures`."""
    up = np.array([0.0, 0.0, 1.0])
    face = np.array([c[18], c[19], 0.0])
    right = np.array([c[19], -c[18], 0.0])
    pelvis = np.array([c[0], c[1], c[2]])
    blade = c[3:6].copy()
    normal = c[6:9] / math.sqrt(c[6] ** 2 + c[7] ** 2 + c[8] ** 2 + 1e-12)
    free = c[9:12].copy()
    # the lower the crouch, the more the trunk leans
    lean = 0.30 + 1.2 * max(0.0, 0.04 - (c[2] - (-0.76 + 0.80 * h))) * 1.6
    lean = min(lean, 1.15)
    spine = math.sin(lean) * face + math.cos(lean) * up
    chest = pelvis + 0.40 * h * spine
    # lean over for a ball that is out of the arm's reach
    d = blade - (chest + hand * 0.19 * h * right)
    over = _length(d) - 0.62 * h
    if over > 0.0:
        chest = chest + min(over, 0.32) / (over + 0.62 * h) * d
    shoulder_r, shoulder_l = chest + 0.19 * h * right, chest - 0.19 * h * right
    hip_r, hip_l = pelvis + 0.10 * h * right, pelvis - 0.10 * h * right
    neck = chest + 0.09 * h * spine
    _trunk(out, h, right, hip_r, hip_l, shoulder_r, shoulder_l, paint)
    throat = chest + 0.05 * h * spine
    _plain(out, TRUNK + 3, throat, 0.06 * h, neck + 0.04 * h * up, 0.05 * h, paint[0])
    _head(out, h, neck + 0.14 * h * (0.25 * face + up), up, face, paint)
    arm, other = (shoulder_r, shoulder_l) if hand > 0 else (shoulder_l, shoulder_r)
    # the handle points from the blade towards the shoulder, in the blade's plane
    d = arm - blade
    handle = d - (d[0] * normal[0] + d[1] * normal[1] + d[2] * normal[2]) * normal
    handle = handle / math.sqrt(handle[0] ** 2 + handle[1] ** 2 + handle[2] ** 2 + 1e-9)
    grip = blade + 0.135 * handle
    low = -up - 0.3 * face  # elbows hang
    elbow, elbow_free = np.zeros(3), np.zeros(3)
    _bend(arm, grip, 0.29 * h, 0.27 * h, hand * 0.6 * right + low, elbow)
    _bend(other, free, 0.29 * h, 0.27 * h, -hand * 0.6 * right + low, elbow_free)
    tip = grip + 0.05 * h * (grip - elbow) / (_length(grip - elbow) + 1e-9)
    _arm(out, ARMS, h, arm, elbow, grip, tip, paint)
    _arm(out, ARMS + 4, h, other, elbow_free, free, free + 0.06 * h * face, paint)
    inwards = -1.0 if right[1] * (-face[0]) < 0.0 else 1.0
    _leg(out, LEGS, h, hip_l, c[12:15].copy(), -0.25 * inwards * right, face, paint)
    _leg(out, LEGS + 4, h, hip_r, c[15:18].copy(), 0.25 * inwards * right, face, paint)
    wood, front, back = paint[9], paint[7], paint[8]
    _plain(out, RACKET, blade + 0.075 * handle, 0.013, grip + 0.03 * handle, 0.014, wood)
    _limb(out, RACKET + 1, blade, 0.077, normal, 0.0, front, back, PLAIN, PLAIN, 1)
    belly, breast = pelvis + 0.02 * h * up, chest - 0.02 * h * spine
    _limb(
        out, RACKET + 2, belly, 0.115 * h, breast, 0.125 * h, paint[2], paint[3], 0.45, 0.72, 0
    )  # fmt: skip


@njit(cache=True)
def _trunk(out, h, right, hip_r, hip_l, shoulder_r, shoulder_l, paint):
    """Both flanks and the shoulders, in a shirt with a stripe."""
    shirt, stripe = paint[2], paint[3]
    for i in range(2):
        hip = hip_r - 0.02 * right if i == 0 else hip_l + 0.02 * right
        top = shoulder_r - 0.075 * h * right if i == 0 else shoulder_l + 0.075 * h * right
        _limb(out, TRUNK + i, hip, 0.105 * h, top, 0.115 * h, shirt, stripe, 0.45, 0.72, 0)
    one, other = shoulder_r - 0.02 * right, shoulder_l + 0.02 * right
    _plain(out, TRUNK + 2, one, 0.065 * h, other, 0.065 * h, shirt)


@njit(cache=True)
def _head(out, h, head, up, face, paint):
    """Skull, hair and nose."""
    skin, hair = paint[0], paint[1]
    chin, crown = head - 0.03 * h * up, head + 0.025 * h * up
    _plain(out, HEAD, chin, 0.082 * h, crown, 0.092 * h, skin)
    top, back = head + (0.05 * up - 0.025 * face) * h, head + (0.01 * up - 0.04 * face) * h
    _plain(out, HEAD + 1, top, 0.088 * h, back, 0.085 * h, hair)
    bridge, tip = head + 0.085 * h * face, head + 0.09 * h * face - 0.01 * up
    _plain(out, HEAD + 2, bridge, 0.016 * h, tip, 0.018 * h, skin)


@njit(cache=True)
def _arm(out, j, h, shoulder, elbow, wrist, tip, paint):
    """Sleeve, upper arm, forearm and hand, as rows j to j + 3."""
    skin, shirt, stripe = paint[0], paint[2], paint[3]
    cut = shoulder + 0.55 * (elbow - shoulder)
    _limb(out, j, shoulder, 0.062 * h, cut, 0.056 * h, shirt, stripe, 0.8, 1.0, 0)
    _plain(out, j + 1, cut, 0.043 * h, elbow, 0.038 * h, skin)
    _plain(out, j + 2, elbow, 0.038 * h, wrist, 0.027 * h, skin)
    _plain(out, j + 3, wrist, 0.036 * h, tip, 0.034 * h, skin)


@njit(cache=True)
def _leg(out, j, h, hip, foot, outwards, face, paint):
    """Shorts, thigh, shank and shoe, as rows j to j + 3."""
    shorts, leg, shoes = paint[4], paint[5], paint[6]
    knee = np.zeros(3)
    _bend(hip, foot, 0.43 * h, 0.43 * h, face + outwards, knee)
    cut = hip + 0.62 * (knee - hip)
    _plain(out, j, hip, 0.095 * h, cut, 0.085 * h, shorts)
    _plain(out, j + 1, cut, 0.075 * h, knee, 0.06 * h, leg)
    _plain(out, j + 2, knee, 0.058 * h, foot, 0.042 * h, leg)
    up = np.array([0.0, 0.0, 1.0])
    heel, toe = foot - 0.05 * face - 0.03 * up, foot + 0.15 * face - 0.035 * up
    _plain(out, j + 3, heel, 0.044 * h, toe, 0.04 * h, shoes)
