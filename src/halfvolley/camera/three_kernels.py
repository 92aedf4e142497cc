"""Cameras from three sides of a table, and how much of a table they explain at a glance; compiled.

Where one side of the table is hidden or outside the picture, the other three fix the camera up to
its focal length f: with f known, the two sides that run apart meet at the vanishing point of their
direction, the base between them is perpendicular to it, and its known length gives the distance.

Directed lines and their support are those of `find_kernels`.
"""

import math

import numba
import numpy as np

from halfvolley.camera.find_kernels import covered, crossing
from halfvolley.camera.kernels import project_point
from halfvolley.types.arrays import BoolArray, ByteImage, FloatArray, IntArray

HALF_SIDE = 0.5  # of what a side shows must lie this near its corner, to be one side
MOST_ROLL = math.sin(math.radians(25.0))  # a camera on a tripod stands upright
LEAST_ELEVATION, MOST_ELEVATION = math.sin(math.radians(2.0)), math.sin(math.radians(75.0))


@numba.njit(cache=True)
def upright(R: FloatArray, t: FloatArray) -> bool:
    """Whether a camera stands as a tripod does and looks down on the table, not along it."""
    up, ahead = -R[1, 2], -(R[0, 2] * t[0] + R[1, 2] * t[1] + R[2, 2] * t[2])
    distance = math.sqrt(t[0] ** 2 + t[1] ** 2 + t[2] ** 2)
    if not (up > 0.0 and abs(R[0, 2]) < MOST_ROLL * math.hypot(up, R[0, 2])):
        return False
    return LEAST_ELEVATION * distance < ahead < MOST_ELEVATION * distance


@numba.njit(cache=True)
def three_sides(
    lines: FloatArray, running: FloatArray, zero: float, alike: BoolArray, size: tuple[int, int],
    min_side: float, most: int,
) -> tuple[IntArray, FloatArray]:  # fmt: skip
    """Pairs of lines that leave a third one, the base, on its dark side.

    Returns (n, 3) line indices, base first, and (n, 6): covered share of the base less the share
    by which it runs on, length of both sides seen over that of the base, and the two corners. The
    dark sides of all three lie inside.
    """
    n = lines.shape[0]
    width, height = size
    members = np.empty((most, 3), np.int64)
    facts = np.empty((most, 6))
    found = 0
    corner = np.empty((n, 2))
    seen = np.empty(n)
    partners = np.empty(n, np.int64)
    for base in range(n):
        count = 0
        for side in range(n):
            if side == base or not alike[base, side]:
                continue
            if not crossing(lines, base, side, corner[side]):
                continue
            u, v = corner[side]
            if not (-0.2 * width < u < 1.2 * width and -0.2 * height < v < 1.2 * height):
                continue
            du, dv = -lines[side, 1], lines[side, 0]
            inward = 1.0 if lines[base, 0] * du + lines[base, 1] * dv > 0.0 else -1.0
            t = u * du + v * dv
            length = covered(running[side], zero, t, inward * zero)
            if length < min_side:
                continue
            near = covered(running[side], zero, t, t + inward * (1.3 * length + 12.0))
            outside = covered(running[side], zero, t - inward * 8.0, -inward * zero)
            if near < HALF_SIDE * length or outside > 0.3 * length:
                continue
            seen[side] = length
            partners[count] = side
            count += 1
        du, dv = -lines[base, 1], lines[base, 0]
        for p in range(count):
            i = partners[p]
            for q in range(p + 1, count):
                j = partners[q]
                if not alike[i, j]:
                    continue
                if lines[i, 0] * lines[j, 0] + lines[i, 1] * lines[j, 1] > 0.9:
                    continue
                if lines[i, 0] * corner[j, 0] + lines[i, 1] * corner[j, 1] + lines[i, 2] < 0.0:
                    continue
                if lines[j, 0] * corner[i, 0] + lines[j, 1] * corner[i, 1] + lines[j, 2] < 0.0:
                    continue
                t0 = corner[i, 0] * du + corner[i, 1] * dv
                t1 = corner[j, 0] * du + corner[j, 1] * dv
                length = abs(t1 - t0)
                if length < min_side:
                    continue
                inside = covered(running[base], zero, t0, t1)
                slack = 6.0 + 0.01 * length
                over = covered(running[base], zero, -zero, min(t0, t1) - slack)
                over += covered(running[base], zero, max(t0, t1) + slack, zero)
                if inside < 0.2 * length or over > 0.5 * length:
                    continue
                if found == most:
                    return members[:found], facts[:found]
                members[found, 0], members[found, 1], members[found, 2] = base, i, j
                facts[found, 0] = (inside - over) / length
                facts[found, 1] = min(seen[i], 2.0 * length) + min(seen[j], 2.0 * length)
                facts[found, 1] /= length
                facts[found, 2:4] = corner[i]
                facts[found, 4:6] = corner[j]
                found += 1
    return members[:found], facts[:found]


@numba.njit(cache=True)
def _onwards(ray: FloatArray, d: FloatArray, a: float, b: float) -> float:
    """Positive where a point on a ray that moves by d moves to the side (a, b) of the picture."""
    u = (d[0] * ray[2] - ray[0] * d[2]) / (ray[2] * ray[2])
    v = (d[1] * ray[2] - ray[1] * d[2]) / (ray[2] * ray[2])
    return u * a + v * b


@numba.njit(cache=True)
def pose_of_three(
    lines: FloatArray, base: int, i: int, j: int, corners: FloatArray, f: float, cx: float,
    cy: float, base_m: float, side_m: float, base_is_end: bool, R: FloatArray, t: FloatArray,
) -> bool:  # fmt: skip
    """Fill R (3, 3) and t (3,) of the camera that sees a base and two sides so; False if none.

    corners (4,) are the places where the sides leave the base, that of i first [px].
    """
    three = np.empty((3, 3))
    for row, k in enumerate((base, i, j)):
        three[row, 0] = lines[k, 0] * f
        three[row, 1] = lines[k, 1] * f
        three[row, 2] = lines[k, 0] * cx + lines[k, 1] * cy + lines[k, 2]
    along = np.cross(three[1], three[2])
    norm = math.sqrt(along @ along)
    if not norm > 1e-9:
        return False
    along /= norm
    across = np.cross(three[0], along)
    norm = math.sqrt(across @ across)
    if not norm > 1e-9:
        return False
    across /= norm
    one, two = np.empty(3), np.empty(3)
    one[0], one[1], one[2] = (corners[0] - cx) / f, (corners[1] - cy) / f, 1.0
    two[0], two[1], two[2] = (corners[2] - cx) / f, (corners[3] - cy) / f, 1.0
    if _onwards(one, along, lines[base, 0], lines[base, 1]) < 0.0:
        along = -along
    if _onwards(two, along, lines[base, 0], lines[base, 1]) < 0.0:
        return False
    if _onwards(one, across, corners[2] - corners[0], corners[3] - corners[1]) < 0.0:
        across = -across
    # depths a, b with b two - a one = base_m across
    aa, bb, ab = one @ one, two @ two, one @ two
    ga, gb = -base_m * (one @ across), base_m * (two @ across)
    det = aa * bb - ab * ab
    if not det > 1e-12:
        return False
    a = (ga * bb + gb * ab) / det
    b = (gb * aa + ga * ab) / det
    if not (a > 0.2 and b > 0.2):
        return False
    middle = 0.5 * (a * one + b * two) + 0.5 * side_m * along
    x, y = (along, across) if base_is_end else (across, along)
    z = np.cross(x, y)
    if z @ middle > 0.0:  # seen from below: then it is the mirrored reading
        if base_is_end:
            y = -y
        else:
            x = -x
        z = -z
    for k in range(3):
        R[k, 0], R[k, 1], R[k, 2], t[k] = x[k], y[k], z[k], middle[k]
    return upright(R, t)


@numba.njit(cache=True)
def _level(luma: ByteImage, u: float, v: float) -> float:
    x, y = int(u), int(v)
    dx, dy = u - x, v - y
    top = luma[y, x] * (1.0 - dx) + luma[y, x + 1] * dx
    low = luma[y + 1, x] * (1.0 - dx) + luma[y + 1, x + 1] * dx
    return top * (1.0 - dy) + low * dy


@numba.njit(cache=True)
def surface_share(
    planes: ByteImage, f: float, cx: float, cy: float, R: FloatArray, t: FloatArray,
    inside_m: FloatArray, surface: FloatArray,
) -> float:  # fmt: skip
    """Share of places on the table, (n, 3), that have the colour of its surface; 0 if none is seen.

    planes (3, h, w) are luma, cb and cr; surface (3,) is luma, cb - 128 and cr - 128.
    """
    height, width = planes.shape[1:]
    asked = 0
    seen = 0
    tint = math.sqrt(surface[1] ** 2 + surface[2] ** 2)
    for m in range(inside_m.shape[0]):
        x, y, z = inside_m[m]
        u, v = project_point(f, cx, cy, 0.0, 0.0, R, t, x, y, z)
        if not (0.0 <= u < width - 1.0 and 0.0 <= v < height - 1.0):
            continue
        i, j = int(v + 0.5), int(u + 0.5)
        asked += 1
        off = abs(planes[0, i, j] - surface[0])
        cb = planes[1, i, j] - 128.0 - surface[1]
        cr = planes[2, i, j] - 128.0 - surface[2]
        if (
            off < 12.0 + 0.35 * max(surface[0] - 16.0, 0.0)
            and math.hypot(cb, cr) < 6.0 + 0.4 * tint
        ):
            seen += 1
    return seen / asked if 4 * asked > inside_m.shape[0] else 0.0


@numba.njit(cache=True)
def glance(
    planes: ByteImage, f: float, cx: float, cy: float, R: FloatArray, t: FloatArray,
    on_m: FloatArray, beside_m: FloatArray, strip: IntArray, inside_m: FloatArray,
    surface: FloatArray,
) -> float:  # fmt: skip
    """How much of a table a camera without distortion explains, roughly; up to 9.

    on_m and beside_m (n, 3) are places on the lines and beside them, on the table; strip (n,) says
    of which line; inside_m (k, 3) are places between the lines. The share seen of each outer line
    counts one, that of centre line and net one and a half, that of the surface two.
    """
    luma = planes[0]
    height, width = luma.shape
    asked = np.zeros(6)
    seen = np.zeros(6)
    for m in range(on_m.shape[0]):
        u, v = project_point(f, cx, cy, 0.0, 0.0, R, t, on_m[m, 0], on_m[m, 1], on_m[m, 2])
        if not (10.0 < u < width - 11.0 and 10.0 < v < height - 11.0):
            continue
        x, y = project_point(
            f, cx, cy, 0.0, 0.0, R, t, beside_m[m, 0], beside_m[m, 1], beside_m[m, 2]
        )
        if not (x > -1e6 and y > -1e6):
            continue
        k = strip[m]
        asked[k] += 1.0
        du, dv = x - u, y - v
        norm = max(math.sqrt(du * du + dv * dv), 1e-6)
        du, dv = du / norm, dv / norm
        best = 0.0
        for s in range(-4, 5):
            best = max(best, _level(luma, u + 0.75 * s * du, v + 0.75 * s * dv))
        inside = _level(luma, u + 6.0 * du, v + 6.0 * dv)
        if best - inside > max(8.0, 0.12 * (best - 16.0)):
            seen[k] += 1.0
    total = 2.0 * surface_share(planes, f, cx, cy, R, t, inside_m, surface)
    for k in range(6):
        if asked[k] > 0.0:
            total += (1.0 if k < 4 else 1.5) * seen[k] / asked[k]
    return total


@numba.njit(cache=True)
def best_focal(
    planes: ByteImage, lines: FloatArray, dark: FloatArray, members: IntArray, corners: FloatArray,
    focals: FloatArray, long_m: float, short_m: float, on_m: FloatArray, beside_m: FloatArray,
    strip: IntArray, inside_m: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """For each of (n, 3) sets of lines and both readings, the focal length that explains most.

    Returns its score (n, 2), -1 where there is none, and focal length, R and t (n, 2, 13) in a row.
    """
    n = members.shape[0]
    height, width = planes.shape[1:]
    cx, cy = 0.5 * (width - 1), 0.5 * (height - 1)
    score = np.full((n, 2), -1.0)
    camera = np.zeros((n, 2, 13))
    R, t, surface = np.empty((3, 3)), np.empty(3), np.empty(3)
    for m in range(n):
        for k in range(3):
            three = dark[members[m, 0], k], dark[members[m, 1], k], dark[members[m, 2], k]
            surface[k] = sum(three) - min(three) - max(three)
        for reading in range(2):
            base_m, side_m = (short_m, long_m) if reading == 0 else (long_m, short_m)
            for f in focals:
                if not pose_of_three(
                    lines, members[m, 0], members[m, 1], members[m, 2], corners[m], f, cx, cy,
                    base_m, side_m, reading == 0, R, t,
                ):  # fmt: skip
                    continue
                if surface_share(planes, f, cx, cy, R, t, inside_m, surface) < 0.25:
                    continue
                total = glance(planes, f, cx, cy, R, t, on_m, beside_m, strip, inside_m, surface)
                if total > score[m, reading]:
                    score[m, reading] = total
                    camera[m, reading, 0] = f
                    camera[m, reading, 1:10] = R.copy().reshape(9)
                    camera[m, reading, 10:] = t
    return score, camera


@numba.njit(cache=True)
def glances(
    planes: ByteImage, cameras: FloatArray, surfaces: FloatArray, on_m: FloatArray,
    beside_m: FloatArray, strip: IntArray, inside_m: FloatArray,
) -> FloatArray:  # fmt: skip
    """(n,) what cameras (n, 15) without distortion explain: f, cx, cy, R and t in a row."""
    out = np.empty(len(cameras))
    for m in range(len(cameras)):
        row = cameras[m]
        out[m] = glance(
            planes, row[0], row[1], row[2], row[3:12].copy().reshape(3, 3), row[12:], on_m,
            beside_m, strip, inside_m, surfaces[m],
        )  # fmt: skip
    return out
