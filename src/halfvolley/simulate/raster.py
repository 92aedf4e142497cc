"""Drawing the moving things and developing the picture, as compiled functions.

Symbols: a window of the frame starts at pixel (x0, y0); lens (5,) f, cx, cy, k1, k2; R, t
camera_from_world; all light is linear until `develop`.
"""
# mypy: allow-untyped-defs

import math

import numpy as np
from numba import njit

from halfvolley.camera.kernels import project_point, project_point_jacobian
from halfvolley.simulate.kernels import place_at

SHADES = 33  # places across a ball or limb for which light is worked out


@njit(cache=True)
def _within(low, high, n):
    """First and last whole number from low to high, among 0 .. n - 1; a last below the first: none.

    What lies beside the camera is seen at any number at all, which may not become whole before it
    is known to be near.
    """
    if not (low < n and high > -1.0):
        return 0, -1
    return math.ceil(max(low, 0.0)), math.floor(min(high, n - 1.0))


@njit(cache=True)
def mix_rows(early, late, lens, R, t, height, out):
    """Limbs (m, 19) at the time of their own rows: early is row 0's, late the last row's."""
    for i in range(early.shape[0]):
        e = early[i]
        _, va = project_point(lens[0], lens[1], lens[2], lens[3], lens[4], R, t, e[0], e[1], e[2])
        p = va / height if not math.isnan(va) else 0.5
        p = min(max(p, 0.0), 1.0)
        for k in range(e.shape[0]):
            out[i, k] = e[k] + p * (late[i, k] - e[k])


# --- limbs -------------------------------------------------------------------------------------
# A projected limb (m, 24): 0-2 u, v, radius of one end; 3-5 of the other; 6, 7 distances; 8, 9
# signed places relative to the net; 10-12, 13-15 colours; 16, 17 span of the second; 18 kind;
# for discs 3-5 hold the inverse of the ellipse's matrix (a, b, c) and 19-21 the normal;
# 22, 23 half extent of the disc in u and v
@njit(cache=True)
def project_limbs(limbs, lens, R, t, centre, out):
    """Fills out (m, 24); returns the number kept, nearest last."""
    n = 0
    d_xyz = np.empty((2, 3))
    d_par = np.empty((2, 11))
    for i in range(limbs.shape[0]):
        b = limbs[i]
        ua, va = project_point(lens[0], lens[1], lens[2], lens[3], lens[4], R, t, b[0], b[1], b[2])
        da = math.sqrt((b[0] - centre[0]) ** 2 + (b[1] - centre[1]) ** 2 + (b[2] - centre[2]) ** 2)
        if math.isnan(ua) or da < 0.3:
            continue
        o = out[n]
        o[0], o[1], o[6] = ua, va, da
        o[8] = b[0]
        for k in range(6):
            o[10 + k] = b[8 + k]
        o[16], o[17], o[18] = b[14], b[15], b[16]
        if b[16] == 0.0:
            ub, vb = project_point(
                lens[0], lens[1], lens[2], lens[3], lens[4], R, t, b[4], b[5], b[6]
            )
            db = math.sqrt(
                (b[4] - centre[0]) ** 2 + (b[5] - centre[1]) ** 2 + (b[6] - centre[2]) ** 2
            )
            if math.isnan(ub) or db < 0.3:
                continue
            o[3], o[4], o[7], o[9] = ub, vb, db, b[4]
            o[2] = lens[0] * b[3] / da
            o[5] = lens[0] * b[7] / db
        else:
            project_point_jacobian(
                lens[0], lens[1], lens[2], lens[3], lens[4], R, t, b[0], b[1], b[2], d_xyz, d_par
            )
            nx, ny, nz = b[4], b[5], b[6]
            r2 = b[3] * b[3]
            # the disc's covariance-like matrix r^2 (I - n n^T) through the camera, plus its edge
            a = c = e = 0.0
            for p in range(2):
                for q in range(p, 2):
                    s = 0.0
                    for k in range(3):
                        s += d_xyz[p, k] * d_xyz[q, k]
                    np_ = d_xyz[p, 0] * nx + d_xyz[p, 1] * ny + d_xyz[p, 2] * nz
                    nq = d_xyz[q, 0] * nx + d_xyz[q, 1] * ny + d_xyz[q, 2] * nz
                    s = r2 * (s - np_ * nq)
                    if p == 0 and q == 0:
                        a = s
                    elif p == 0:
                        c = s
                    else:
                        e = s
            edge = (lens[0] * 0.006 / da) ** 2
            a += edge
            e += edge
            o[22], o[23] = math.sqrt(a), math.sqrt(e)
            det = a * e - c * c
            o[3], o[4], o[5] = e / det, -c / det, a / det
            o[7], o[9] = da, b[0]
            o[2] = math.sqrt(max(a, e))
            o[19], o[20], o[21] = nx, ny, nz
        n += 1
    # farthest first
    order = np.argsort(-(out[:n, 6] + out[:n, 7]))
    kept = out[:n].copy()
    for i in range(n):
        out[i] = kept[order[i]]
    return n


@njit(cache=True)
def limb_box(o, rim):
    """Bounds (left, top, right, bottom) of a projected limb."""
    if o[18] != 0.0:
        return o[0] - o[22] - rim, o[1] - o[23] - rim, o[0] + o[22] + rim, o[1] + o[23] + rim
    return (
        min(o[0] - o[2], o[3] - o[5]) - rim, min(o[1] - o[2], o[4] - o[5]) - rim,
        max(o[0] + o[2], o[3] + o[5]) + rim, max(o[1] + o[2], o[4] + o[5]) + rim,
    )  # fmt: skip


@njit(cache=True)
def limbs_box(limbs, counts, rim):
    """(4,) bounds of a figure over its moments (k, m, 24); NaN if nothing is seen."""
    out = np.full(4, np.nan)
    for m in range(limbs.shape[0]):
        for i in range(counts[m]):
            a, b, c, d = limb_box(limbs[m, i], rim)
            out[0] = a if math.isnan(out[0]) else min(out[0], a)
            out[1] = b if math.isnan(out[1]) else min(out[1], b)
            out[2] = c if math.isnan(out[2]) else max(out[2], c)
            out[3] = d if math.isnan(out[3]) else max(out[3], d)
    return out


@njit(cache=True, error_model="numpy", fastmath=True)
def limb_at(o, x, y, rim, found):
    """Coverage of a pixel by a limb; found (4,) becomes place along, distance, normal u, v.

    The normal is in the camera's axes; for discs it is not set.
    """
    if o[18] != 0.0:
        dx, dy = x - o[0], y - o[1]
        gx = o[3] * dx + o[4] * dy
        gy = o[4] * dx + o[5] * dy
        q = math.sqrt(gx * dx + gy * dy)
        slope = math.sqrt(gx * gx + gy * gy) / max(q, 1e-6)
        found[0], found[1] = 0.0, o[6]
        return min(max(0.5 + (1.0 - q) / max(slope, 1e-9) / rim, 0.0), 1.0)
    ax, ay = o[3] - o[0], o[4] - o[1]
    px, py = x - o[0], y - o[1]
    length = ax * ax + ay * ay
    s = min(max((px * ax + py * ay) / length, 0.0), 1.0) if length > 1e-9 else 0.0
    dx, dy = px - s * ax, py - s * ay
    d = math.sqrt(dx * dx + dy * dy)
    r = o[2] + s * (o[5] - o[2])
    cover = min(max(0.5 + (r - d) / rim, 0.0), 1.0)
    if cover > 0.0:
        m = min(d / max(r, 1e-6), 1.0)
        found[0] = s
        found[1] = o[6] + s * (o[7] - o[6])
        if d > 1e-9:
            found[2], found[3] = m * dx / d, m * dy / d
        else:
            found[2] = found[3] = 0.0
    return cover


@njit(cache=True, error_model="numpy", fastmath=True)
def limb_shades(R, lamps, ambient, floor_light):
    """(SHADES, SHADES) light of a round limb by its normal: share down, share right."""
    out = np.empty((SHADES, SHADES))
    half = (SHADES - 1) // 2
    for j in range(SHADES):
        for i in range(SHADES):
            a, b = (i - half) / half, (j - half) / half
            m = math.sqrt(a * a + b * b)
            if m > 1.0:
                a, b, m = a / m, b / m, 1.0
            c = -math.sqrt(1.0 - m * m)
            out[j, i] = _lit(
                R[0, 0] * a + R[1, 0] * b + R[2, 0] * c, R[0, 1] * a + R[1, 1] * b + R[2, 1] * c,
                R[0, 2] * a + R[1, 2] * b + R[2, 2] * c, lamps, ambient, floor_light,
            )  # fmt: skip
    return out


@njit(cache=True, error_model="numpy", fastmath=True)
def draw_limbs(
    limbs, n, R, lamps, ambient, floor_light, shades, camera_side, rim, table, net, x0, y0,
    weight, out,
):  # fmt: skip
    """Adds a moment of a figure to out (3, h, w, 4): behind the table, behind the net, before all.

    lamps (l, 4): unit direction to the lamp and irradiance; shades as `limb_shades`. table and
    net are the layers over the window. out holds light times coverage, and coverage.
    """
    h, w = out.shape[1], out.shape[2]
    found = np.empty(4)
    half = (SHADES - 1) // 2
    moment = np.zeros((3, h, w, 4), np.float32)
    used = np.zeros((3, 4), np.int64)  # bounds of what each level holds
    for level in range(3):
        used[level, 0], used[level, 1] = h, w
    for i in range(n):
        o = limbs[i]
        left, top, right, bottom = limb_box(o, rim)
        i0, i1 = _within(left - x0, right - x0, w)
        j0, j1 = _within(top - y0, bottom - y0, h)
        disc = o[18] != 0.0
        shade = 1.0
        flip = False
        if disc:
            nx, ny, nz = o[19], o[20], o[21]
            # which face is seen: the normal's share along the line of sight, in the camera's axes
            flip = R[2, 0] * nx + R[2, 1] * ny + R[2, 2] * nz > 0.0
            if flip:
                nx, ny, nz = -nx, -ny, -nz
            shade = _lit(nx, ny, nz, lamps, ambient, floor_light)
        for j in range(j0, j1 + 1):
            for k in range(i0, i1 + 1):
                cover = limb_at(o, k + x0, j + y0, rim, found)
                if cover <= 0.0:
                    continue
                s = found[0]
                if not disc:
                    shade = shades[half + round(half * found[3]), half + round(half * found[2])]
                second = flip if disc else (o[16] <= s <= o[17])
                base = 13 if second else 10
                level = 2
                if table[j, k, 3] > 0.0 and found[1] > table[j, k, 4] + 0.02:
                    level = 0
                elif net[j, k, 3] > 0.0 and (o[8] + s * (o[9] - o[8])) * camera_side < 0.0:
                    level = 1
                used[level, 0], used[level, 1] = min(used[level, 0], j), min(used[level, 1], k)
                used[level, 2], used[level, 3] = max(used[level, 2], j), max(used[level, 3], k)
                for q in range(3):
                    moment[level, j, k, q] += cover * (shade * o[base + q] - moment[level, j, k, q])
                moment[level, j, k, 3] += cover * (1.0 - moment[level, j, k, 3])
    for level in range(3):
        for j in range(used[level, 0], used[level, 2] + 1):
            for k in range(used[level, 1], used[level, 3] + 1):
                for q in range(4):
                    out[level, j, k, q] += weight * moment[level, j, k, q]


@njit(cache=True, error_model="numpy", fastmath=True)
def _lit(nx, ny, nz, lamps, ambient, floor_light):
    """Light of a unit-reflectance surface with this normal: from above, from below, from lamps."""
    e = ambient * (0.7 + 0.3 * nz) + floor_light * 0.5 * (1.0 - nz)
    for i in range(lamps.shape[0]):
        cos = nx * lamps[i, 0] + ny * lamps[i, 1] + nz * lamps[i, 2]
        if cos > 0.0:
            e += cos * lamps[i, 3]
    return e


@njit(cache=True, error_model="numpy", fastmath=True)
def put_figure(frame, parts, table, net, x0, y0):
    """Puts a drawn figure into frame (H, W, 3), between the layers of table and net."""
    h, w = parts.shape[1], parts.shape[2]
    for j in range(h):
        for k in range(w):
            c0, c1, c2 = parts[0, j, k, 3], parts[1, j, k, 3], parts[2, j, k, 3]
            if c0 + c1 + c2 <= 0.0:
                continue
            at, an = table[j, k, 3], net[j, k, 3]
            for q in range(3):
                light = frame[y0 + j, x0 + k, q]
                if c0 > 0.0 or c1 > 0.0:
                    inner = light
                    if an > 0.0:
                        inner = max(light - net[j, k, q], 0.0) / max(1.0 - an, 0.05)
                    if c0 > 0.0:
                        behind = max(inner - table[j, k, q], 0.0)
                        inner = (
                            table[j, k, q] + (1.0 - at) * parts[0, j, k, q] + (1.0 - c0) * behind
                        )
                        inner = inner if at > 0.0 else parts[0, j, k, q] + (1.0 - c0) * behind
                    inner = parts[1, j, k, q] + (1.0 - c1) * inner
                    light = net[j, k, q] + (1.0 - an) * inner if an > 0.0 else inner
                frame[y0 + j, x0 + k, q] = parts[2, j, k, q] + (1.0 - c2) * light


@njit(cache=True)
def darken(light, table, x0, y0, spots, lens, R, t):
    """Soft round shadows on level ground: each loses light about a place.

    light is the window from (x0, y0) on; table is the frame's. spots (n, 6): place (3), radius,
    strength, 1 for a shadow on the table and 0 for one on the floor.
    """
    h, w = light.shape[0], light.shape[1]
    d_xyz, d_par = np.empty((2, 3)), np.empty((2, 11))
    for n in range(spots.shape[0]):
        size, strength, on_table = spots[n, 3], spots[n, 4], spots[n, 5] > 0.5
        u, v = project_point_jacobian(
            lens[0], lens[1], lens[2], lens[3], lens[4], R, t,
            spots[n, 0], spots[n, 1], spots[n, 2], d_xyz, d_par,
        )  # fmt: skip
        if math.isnan(u):
            continue
        # matrix of the ellipse that a level circle becomes, never thinner than half a pixel
        s = size * size
        a = s * (d_xyz[0, 0] ** 2 + d_xyz[0, 1] ** 2) + 0.3
        b = s * (d_xyz[0, 0] * d_xyz[1, 0] + d_xyz[0, 1] * d_xyz[1, 1])
        c = s * (d_xyz[1, 0] ** 2 + d_xyz[1, 1] ** 2) + 0.3
        det = a * c - b * b
        ru, rv = math.sqrt(a), math.sqrt(c)
        i0, i1 = _within(u - ru - x0, u + ru - x0, w)
        j0, j1 = _within(v - rv - y0, v + rv - y0, h)
        for j in range(y0 + j0, y0 + j1 + 1):
            for i in range(x0 + i0, x0 + i1 + 1):
                dx, dy = i - u, j - v
                q = (c * dx * dx - 2 * b * dx * dy + a * dy * dy) / det
                if q >= 1.0:
                    continue
                loss = strength * (1.0 - q) ** 2
                loss *= table[j, i, 3] if on_table else 1.0 - table[j, i, 3]
                for k in range(3):
                    light[j - y0, i - x0, k] *= 1.0 - loss


@njit(cache=True, error_model="numpy")
def _covered(dx, dy, a, b, c, rim, sub):
    """Coverage of a pixel at (dx, dy) from the middle of an ellipse of inverse matrix (a, b, c).

    It is taken at sub x sub places; rim is the width of the ramp at the outline.
    """
    total = 0.0
    for m in range(sub):
        y = dy + (m + 0.5) / sub - 0.5
        for n in range(sub):
            x = dx + (n + 0.5) / sub - 0.5
            gx, gy = a * x + b * y, b * x + c * y
            q = math.sqrt(gx * x + gy * y)
            if q < 1e-9:
                part = 1.0
            else:
                part = 0.5 + (1.0 - q) * q / math.sqrt(gx * gx + gy * gy) / rim
            total += min(max(part, 0.0), 1.0)
    return total / (sub * sub)


# --- the ball ----------------------------------------------------------------------------------
@njit(cache=True)
def ball_outline(x, y, z, radius, lens, R, t, d_xyz, d_par, out):
    """The ball's outline in the picture: out (7,) centre, matrix (a, b, c) of its ellipse,
    distance, and 1 if it is in front of the camera.

    The outline of a sphere is that of a disc across the line of sight, a little nearer; its
    centre lies R^2/Z nearer than the ball's along the camera's axis.
    """
    X = R[0, 0] * x + R[0, 1] * y + R[0, 2] * z + t[0]
    Y = R[1, 0] * x + R[1, 1] * y + R[1, 2] * z + t[1]
    Z = R[2, 0] * x + R[2, 1] * y + R[2, 2] * z + t[2]
    out[6] = 0.0
    if Z < 5 * radius:
        return
    d2 = X * X + Y * Y + Z * Z
    shift = radius * radius / Z
    u, v = project_point(
        lens[0], lens[1], lens[2], lens[3], lens[4], R, t,
        x - shift * R[2, 0], y - shift * R[2, 1], z - shift * R[2, 2],
    )  # fmt: skip
    project_point_jacobian(lens[0], lens[1], lens[2], lens[3], lens[4], R, t, x, y, z, d_xyz, d_par)
    grow = radius * radius * d2 / (d2 - radius * radius)
    # the Jacobian has no part along the line of sight, so J J^T is the disc's image
    out[0], out[1] = u, v
    out[2] = grow * (d_xyz[0, 0] ** 2 + d_xyz[0, 1] ** 2 + d_xyz[0, 2] ** 2)
    out[3] = grow * (
        d_xyz[0, 0] * d_xyz[1, 0] + d_xyz[0, 1] * d_xyz[1, 1] + d_xyz[0, 2] * d_xyz[1, 2]
    )
    out[4] = grow * (d_xyz[1, 0] ** 2 + d_xyz[1, 1] ** 2 + d_xyz[1, 2] ** 2)
    out[5] = math.sqrt(d2)
    out[6] = 1.0


@njit(cache=True)
def seen_time(node_t, node_x, node_v, start, readout, height, extra, lens, R, t, guess):
    """Time at which the row of the ball's centre is at `extra` after the start of its exposure.

    Solves T = start + readout v(T)/height + extra. Returns T, u, v.
    """
    p = np.empty(3)
    v = guess
    T = start + readout * v / height + extra
    u = 0.0
    for _ in range(60):
        place_at(node_t, node_x, node_v, T, p)
        u, v = project_point(lens[0], lens[1], lens[2], lens[3], lens[4], R, t, p[0], p[1], p[2])
        if math.isnan(u):
            return T, u, v
        new = start + readout * v / height + extra
        if abs(new - T) < 1e-10:
            T = new
            break
        T = new
    place_at(node_t, node_x, node_v, T, p)
    u, v = project_point(lens[0], lens[1], lens[2], lens[3], lens[4], R, t, p[0], p[1], p[2])
    return T, u, v


@njit(cache=True)
def ball_shades(R, lamps, ambient, under, colour, gloss):
    """(SHADES, SHADES, 3) light of a ball at the places of its disc, by row and column."""
    out = np.zeros((SHADES, SHADES, 3))
    half = (SHADES - 1) // 2
    for j in range(SHADES):
        for i in range(SHADES):
            nu, nv = (i - half) / half, (j - half) / half
            m = math.sqrt(nu * nu + nv * nv)
            if m > 1.0:
                nu, nv, m = nu / m, nv / m, 1.0
            nw = -math.sqrt(max(1.0 - m * m, 0.0))
            nx = R[0, 0] * nu + R[1, 0] * nv + R[2, 0] * nw
            ny = R[0, 1] * nu + R[1, 1] * nv + R[2, 1] * nw
            nz = R[0, 2] * nu + R[1, 2] * nv + R[2, 2] * nw
            e = ambient * (0.7 + 0.3 * nz)
            shine = 0.0
            for n in range(lamps.shape[0]):
                cos = nx * lamps[n, 0] + ny * lamps[n, 1] + nz * lamps[n, 2]
                if cos > 0.0:
                    e += cos * lamps[n, 3]
                    shine += lamps[n, 3] * cos**40
            low = 0.5 * (1.0 - nz)
            for s in range(3):
                out[j, i, s] = colour[s] * (e + low * under[s]) + 4.0 * gloss * shine
    return out


@njit(cache=True)
def _limbs_near(limbs, n_limbs, rim, x0, y0, x1, y1, near):
    """Fills near (k, m, 2) with figure and limb of those that reach into a box; returns counts."""
    counts = np.zeros(limbs.shape[1], np.int64)
    for k in range(limbs.shape[1]):
        for g in range(limbs.shape[0]):
            for i in range(n_limbs[g, k]):
                left, top, right, bottom = limb_box(limbs[g, k, i], rim)
                if left < x1 and right > x0 and top < y1 and bottom > y0:
                    near[k, counts[k], 0], near[k, counts[k], 1] = g, i
                    counts[k] += 1
    return counts


@njit(cache=True)
def draw_ball(
    times, span, outline, start, readout, exposure, height, rim, sub, shades, limbs, n_limbs,
    limb_times, limb_rim, table, net, hidden_by_table, hidden_by_net, x0, y0, light, cover, sums,
):  # fmt: skip
    """Sweeps the ball through its exposure, row by row.

    times (n,) are the middles of slices `span` long; outline (n, 7) as `ball_outline`; shades as
    `ball_shades`; limbs (g, k, m, 24) the projected figures g at moments k with counts n_limbs
    (g, k) and times limb_times (k,). table and net are layers over the window.

    light (h, w, 3) gains colour times visible coverage, cover (h, w) visible coverage. sums (4,)
    gains coverage inside the window, visible coverage, and its moments in u and v.
    """
    h, w = cover.shape
    found = np.empty(4)
    half = (SHADES - 1) // 2
    most = limbs.shape[0] * limbs.shape[2]
    near = np.empty((limbs.shape[1], most, 2), np.int64)
    counts = _limbs_near(limbs, n_limbs, limb_rim, x0, y0, x0 + w, y0 + h, near)
    for i in range(times.shape[0]):
        if outline[i, 6] == 0.0:
            continue
        u, v = outline[i, 0], outline[i, 1]
        a, b, c = outline[i, 2], outline[i, 3], outline[i, 4]
        det = a * c - b * b
        ia, ib, ic = c / det, -b / det, a / det
        ru, rv = math.sqrt(a) + rim + 0.5, math.sqrt(c) + rim + 0.5
        moment = 0
        for m in range(1, limb_times.shape[0]):
            if abs(limb_times[m] - times[i]) < abs(limb_times[moment] - times[i]):
                moment = m
        i0, i1 = _within(u - ru - x0, u + ru - x0, w)
        j0, j1 = _within(v - rv - y0, v + rv - y0, h)
        for j in range(j0, j1 + 1):
            # share of this row's exposure that falls into the slice
            open_t = start + readout * (j + y0) / height
            share = min(times[i] + 0.5 * span, open_t + exposure) - max(
                times[i] - 0.5 * span, open_t
            )
            if share <= 0.0:
                continue
            share /= exposure
            for k in range(i0, i1 + 1):
                dx, dy = k + x0 - u, j + y0 - v
                part = share * _covered(dx, dy, ia, ib, ic, rim, sub)
                if part <= 0.0:
                    continue
                sums[0] += part
                see = 1.0
                if hidden_by_table[i] and table[j, k, 3] > 0.0:
                    if outline[i, 5] > table[j, k, 4] + 0.01:
                        see *= 1.0 - table[j, k, 3]
                if hidden_by_net[i]:
                    see *= 1.0 - net[j, k, 3]
                for n in range(counts[moment]):
                    o = limbs[near[moment, n, 0], moment, near[moment, n, 1]]
                    over = limb_at(o, k + x0, j + y0, limb_rim, found)
                    if over > 0.0 and found[1] < outline[i, 5]:
                        see *= 1.0 - over
                if see <= 0.0:
                    continue
                part *= see
                sums[1] += part
                sums[2] += part * (k + x0)
                sums[3] += part * (j + y0)
                cover[j, k] += part
                q = math.sqrt((ia * dx + ib * dy) * dx + (ib * dx + ic * dy) * dy)
                size = math.sqrt(dx * dx + dy * dy)
                slant = half * min(q, 1.0) / max(size, 1e-9)
                row, column = half + round(slant * dy), half + round(slant * dx)
                for s in range(3):
                    light[j, k, s] += part * shades[row, column, s]


@njit(cache=True)
def put_ball(frame, light, cover, x0, y0):
    """Lays the swept ball over what was there."""
    h, w = cover.shape
    for j in range(h):
        for k in range(w):
            if cover[j, k] > 0.0:
                for s in range(3):
                    frame[y0 + j, x0 + k, s] = (
                        light[j, k, s] + (1.0 - cover[j, k]) * frame[y0 + j, x0 + k, s]
                    )


# --- from light to bytes -----------------------------------------------------------------------
@njit(cache=True)
def contrast(before, after, gain, curve, top):
    """Largest difference of any 8-bit colour channel between two windows of light."""
    most = 0.0
    h, w = before.shape[0], before.shape[1]
    last = curve.shape[0] - 1
    for j in range(h):
        for k in range(w):
            for s in range(3):
                a = min(max(before[j, k, s] * gain[s], 0.0) / top, 1.0)
                b = min(max(after[j, k, s] * gain[s], 0.0) / top, 1.0)
                d = abs(
                    curve[int(math.sqrt(a) * last + 0.5)] - curve[int(math.sqrt(b) * last + 0.5)]
                )
                most = max(most, d)
    return most * 255.0


@njit(cache=True, error_model="numpy", fastmath=True)
def develop(
    frame, gain, row_gain, vignette, width, height, x0, y0, curve, top, grain, sd_curve, seed, luma,
    cb, cr,
):  # fmt: skip
    """Light (h, w, 3) to limited-range BT.709 planes with grain.

    frame is the window from (x0, y0) on of a picture of width x height. curve (m,) maps the square
    root of light over `top` to a value of 0-1; sd_curve (m,) gives the grain's standard deviation
    there, 0-1. grain (n, n) is noise of unit variance, n a power of 2.
    """
    h, w = frame.shape[0], frame.shape[1]
    last = curve.shape[0] - 1
    mask = grain.shape[0] - 1
    cx, cy = 0.5 * (width - 1), 0.5 * (height - 1)
    fall = vignette / (cx * cx + cy * cy)
    cx, cy = cx - x0, cy - y0
    o0, o1, o2 = seed[0], seed[1], seed[2]
    scale = last / math.sqrt(top)
    for j2 in range((h + 1) // 2):
        for i2 in range((w + 1) // 2):
            sr = sg = sb = 0.0
            n = 0
            for dj in range(2):
                j = 2 * j2 + dj
                if j >= h:
                    break
                for di in range(2):
                    i = 2 * i2 + di
                    if i >= w:
                        break
                    g = row_gain[j] * (1.0 - fall * ((i - cx) ** 2 + (j - cy) ** 2))
                    r_ = min(int(math.sqrt(frame[j, i, 0] * gain[0] * g) * scale), last)
                    g_ = min(int(math.sqrt(frame[j, i, 1] * gain[1] * g) * scale), last)
                    b_ = min(int(math.sqrt(frame[j, i, 2] * gain[2] * g) * scale), last)
                    red, green, blue = curve[r_], curve[g_], curve[b_]
                    y = 0.2126 * red + 0.7152 * green + 0.0722 * blue
                    y += sd_curve[g_] * grain[(j + o0) & mask, (i + o1) & mask]
                    luma[j, i] = int(min(max(16.5 + 219.0 * y, 16.0), 235.0))
                    sr += red + sd_curve[r_] * grain[(j + o1) & mask, (i + o2) & mask]
                    sg += green
                    sb += blue + 1.3 * sd_curve[b_] * grain[(j + o2) & mask, (i + o0) & mask]
                    n += 1
            sr, sg, sb = sr / n, sg / n, sb / n
            y = 0.2126 * sr + 0.7152 * sg + 0.0722 * sb
            cb[j2, i2] = int(min(max(128.5 + 224.0 * (sb - y) / 1.8556, 16.0), 240.0))
            cr[j2, i2] = int(min(max(128.5 + 224.0 * (sr - y) / 1.5748, 16.0), 240.0))


@njit(cache=True, error_model="numpy")
def turn_map(w, h, lens, R, ref_lens, ref_R, scale_curve, curve_step, map_u, map_v):
    """Where each pixel of a turned camera lies on the canvas of the same place.

    scale_curve (m,) holds undistorted over distorted radius at multiples of curve_step of the
    squared distorted radius.
    """
    T = np.empty((3, 3))
    for a in range(3):
        for b in range(3):
            T[a, b] = ref_R[a, 0] * R[b, 0] + ref_R[a, 1] * R[b, 1] + ref_R[a, 2] * R[b, 2]
    last = scale_curve.shape[0] - 2
    for j in range(h):
        for i in range(w):
            x, y = (i - lens[1]) / lens[0], (j - lens[2]) / lens[0]
            s = (x * x + y * y) / curve_step
            k = min(int(s), last)
            g = scale_curve[k] + (s - k) * (scale_curve[k + 1] - scale_curve[k])
            x, y = x * g, y * g
            X = T[0, 0] * x + T[0, 1] * y + T[0, 2]
            Y = T[1, 0] * x + T[1, 1] * y + T[1, 2]
            Z = T[2, 0] * x + T[2, 1] * y + T[2, 2]
            x, y = X / Z, Y / Z
            s = x * x + y * y
            g = ref_lens[0] * (1.0 + s * (ref_lens[3] + s * ref_lens[4]))
            map_u[j, i] = g * x + ref_lens[1]
            map_v[j, i] = g * y + ref_lens[2]


@njit(cache=True)
def places_of(node_t, node_x, node_v, times):
    """(n, 3) places on a path at times (n,)."""
    out = np.empty((times.shape[0], 3))
    for i in range(times.shape[0]):
        place_at(node_t, node_x, node_v, times[i], out[i])
    return out


@njit(cache=True)
def outlines(places, radius, lens, R, t):
    """(n, 7) outlines of a ball at places (n, 3), see `ball_outline`."""
    out = np.empty((places.shape[0], 7))
    d_xyz = np.empty((2, 3))
    d_par = np.empty((2, 11))
    for i in range(places.shape[0]):
        ball_outline(
            places[i, 0], places[i, 1], places[i, 2], radius, lens, R, t, d_xyz, d_par, out[i]
        )
    return out
