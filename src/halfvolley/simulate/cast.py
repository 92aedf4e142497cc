"""Rays into the empty hall, as compiled functions of floats and arrays.

Three layers are kept, so that moving things can be put between them: what lies behind the table,
the table, and its net. Each is light times coverage.

Tables of numbers::

    prims      (m, 16) kind (0 rectangle, 1 box, 2 ball), layer (0 hall, 1 table, 2 net), material,
               then: rectangle: corner (3), unit edge (3), unit edge (3), lengths (2)
                     box: least corner (3), greatest corner (3);  ball: centre (3), radius
    materials  (k, 12) kind, colour (3), second colour (3), scale, gloss, picture, seed, glow
    lamps      (l, 6) centre (3), half edges (2), power
"""
# mypy: allow-untyped-defs

import math

import numpy as np
from numba import njit

from halfvolley.camera.kernels import ray_direction

PLAIN, TILES, PLANKS, BRICKS, PANELS, CURTAIN, PICTURE, TOP, MESH, GLOW = range(10)
MESH_PITCH_M = 0.0125
THREAD_M = 0.0016
FAR_M = 1e9


@njit(cache=True)
def _random(i, j):
    """A number in [0, 1) from two whole numbers."""
    n = (i * 374761393 + j * 668265263) & 0xFFFFFFFF
    n = ((n ^ (n >> 13)) * 1274126177) & 0xFFFFFFFF
    return ((n ^ (n >> 16)) & 0xFFFFFF) / 16777216.0


@njit(cache=True)
def _mottle(x, y, seed):
    """Smooth noise in [0, 1)."""
    i, j = math.floor(x), math.floor(y)
    p, q = x - i, y - j
    p = p * p * (3 - 2 * p)
    q = q * q * (3 - 2 * q)
    a = _random(i + seed, j)
    b = _random(i + 1 + seed, j)
    c = _random(i + seed, j + 1)
    d = _random(i + 1 + seed, j + 1)
    return (a * (1 - p) + b * p) * (1 - q) + (c * (1 - p) + d * p) * q


@njit(cache=True)
def hit(prims, i, ox, oy, oz, dx, dy, dz, uvn):
    """Distance to one primitive, FAR_M if missed; uvn becomes (u, v, nx, ny, nz)."""
    p = prims[i]
    if p[0] == 0.0:
        nx = p[7] * p[11] - p[8] * p[10]
        ny = p[8] * p[9] - p[6] * p[11]
        nz = p[6] * p[10] - p[7] * p[9]
        d = dx * nx + dy * ny + dz * nz
        if abs(d) < 1e-12:
            return FAR_M
        t = ((p[3] - ox) * nx + (p[4] - oy) * ny + (p[5] - oz) * nz) / d
        if t <= 1e-6:
            return FAR_M
        x, y, z = ox + t * dx - p[3], oy + t * dy - p[4], oz + t * dz - p[5]
        u = x * p[6] + y * p[7] + z * p[8]
        v = x * p[9] + y * p[10] + z * p[11]
        if u < 0.0 or v < 0.0 or u > p[12] or v > p[13]:
            return FAR_M
        s = -1.0 if d > 0.0 else 1.0
        uvn[0], uvn[1], uvn[2], uvn[3], uvn[4] = u, v, s * nx, s * ny, s * nz
        return t
    if p[0] == 1.0:
        t0, t1, axis = -FAR_M, FAR_M, 0
        for a in range(3):
            o = ox if a == 0 else (oy if a == 1 else oz)
            d = dx if a == 0 else (dy if a == 1 else dz)
            if abs(d) < 1e-12:
                if o < p[3 + a] or o > p[6 + a]:
                    return FAR_M
                continue
            near = (p[3 + a] - o) / d
            far = (p[6 + a] - o) / d
            if near > far:
                near, far = far, near
            if near > t0:
                t0, axis = near, a
            t1 = min(t1, far)
        if t0 > t1 or t0 <= 1e-6:
            return FAR_M
        x, y, z = ox + t0 * dx, oy + t0 * dy, oz + t0 * dz
        uvn[2] = uvn[3] = uvn[4] = 0.0
        if axis == 0:
            uvn[0], uvn[1], uvn[2] = y, z, (-1.0 if dx > 0 else 1.0)
        elif axis == 1:
            uvn[0], uvn[1], uvn[3] = x, z, (-1.0 if dy > 0 else 1.0)
        else:
            uvn[0], uvn[1], uvn[4] = x, y, (-1.0 if dz > 0 else 1.0)
        return t0
    ex, ey, ez = ox - p[3], oy - p[4], oz - p[5]
    b = ex * dx + ey * dy + ez * dz
    q = b * b - (ex * ex + ey * ey + ez * ez - p[6] * p[6])
    if q < 0.0:
        return FAR_M
    t = -b - math.sqrt(q)
    if t <= 1e-6:
        return FAR_M
    uvn[0] = uvn[1] = 0.0
    for a in range(3):
        e = ex if a == 0 else (ey if a == 1 else ez)
        d = dx if a == 0 else (dy if a == 1 else dz)
        uvn[2 + a] = (e + t * d) / p[6]
    return t


@njit(cache=True)
def _meets(box, ox, oy, oz, dx, dy, dz):
    """Whether a ray passes through a box (6,): least and greatest corner."""
    t0, t1 = 0.0, FAR_M
    for a in range(3):
        o = ox if a == 0 else (oy if a == 1 else oz)
        d = dx if a == 0 else (dy if a == 1 else dz)
        if abs(d) < 1e-12:
            if o < box[a] or o > box[3 + a]:
                return False
            continue
        near = (box[a] - o) / d
        far = (box[3 + a] - o) / d
        if near > far:
            near, far = far, near
        t0 = max(t0, near)
        t1 = min(t1, far)
    return t0 <= t1


@njit(cache=True)
def _nearest(prims, first, last, ox, oy, oz, dx, dy, dz, uvn):
    best, which = FAR_M, -1
    for i in range(first, last):
        t = hit(prims, i, ox, oy, oz, dx, dy, dz, uvn[1])
        if t < best:
            best, which = t, i
            for k in range(5):
                uvn[0, k] = uvn[1, k]
    return best, which


@njit(cache=True)
def _blocked(prims, first, n_hall, last, bounds, ox, oy, oz, dx, dy, dz, reach, uvn):
    if last > n_hall and not _meets(bounds[0], ox, oy, oz, dx, dy, dz):
        last = n_hall
    for i in range(first, last):
        if prims[i, 0] != 0.0 and hit(prims, i, ox, oy, oz, dx, dy, dz, uvn[1]) < reach:
            return True
    return False


@njit(cache=True)
def _thread(u, v, height, band):
    """Whether a point of the net is cord band (2), thread (1) or hole (0)."""
    if v > height - band:
        return 2
    a = u % MESH_PITCH_M
    b = v % MESH_PITCH_M
    return 1 if a < THREAD_M or b < THREAD_M else 0


@njit(cache=True)
def _line(x, y, half_x, half_y):
    """Signed place within the white lines of the table: positive is white."""
    edge = 0.020 - min(half_x - abs(x), half_y - abs(y))
    centre = 0.0015 - abs(y)
    return max(edge, centre)


@njit(cache=True)
def _reflectance(m, prim, pictures, u, v, out):
    """out (3,) becomes the colour of a material at a place."""
    kind = int(m[0])
    f = 0.0  # share of the second colour
    if kind == TOP:
        f = (
            1.0
            if _line(u - 0.5 * prim[12], v - 0.5 * prim[13], 0.5 * prim[12], 0.5 * prim[13]) > 0
            else 0.0
        )
    elif kind == TILES:
        a, b = u / m[7], v / m[7]
        i, j = math.floor(a), math.floor(b)
        gap = 0.004 / m[7]
        f = 0.25 * _random(int(i) + int(m[10]), int(j))
        if a - i < gap or b - j < gap:
            f = 1.0
    elif kind == PLANKS:
        j = math.floor(v / m[7])
        a = u / (12.0 * m[7]) + 7.3 * _random(int(j), int(m[10]))
        i = math.floor(a)
        f = (
            0.8
            * _random(int(i) + 17 * int(j), int(m[10]))
            * (0.6 + 0.4 * _mottle(4 * u, v * 60, int(j)))
        )
        if v / m[7] - j < 0.015 or a - i < 0.002:
            f = 1.0
    elif kind == BRICKS:
        j = math.floor(v / (0.35 * m[7]))
        a = u / m[7] + 0.5 * (j % 2)
        i = math.floor(a)
        f = 0.5 * _random(int(i) + int(m[10]), int(j))
        if a - i < 0.03 or v / (0.35 * m[7]) - j < 0.08:
            f = 1.0
    elif kind == PANELS:
        a = u / m[7]
        f = 1.0 if a - math.floor(a) < 0.012 else 0.12 * _random(int(math.floor(a)), int(m[10]))
    elif kind == CURTAIN:
        f = 0.5 + 0.5 * math.sin(u * 2 * math.pi / m[7] + 1.5 * math.sin(u * 1.7))
    if kind == PICTURE:
        which = int(m[9])
        h, w = pictures.shape[1], pictures.shape[2]
        i = min(max(int((1.0 - v / prim[13]) * h), 0), h - 1)
        j = min(max(int(u / prim[12] * w), 0), w - 1)
        for c in range(3):
            out[c] = pictures[which, i, j, c]
        return
    shade = 1.0
    if kind != GLOW and kind != TOP:
        shade = 0.9 + 0.2 * _mottle(2.1 * u, 2.1 * v, int(m[10])) * (
            0.5 + _mottle(17 * u, 17 * v, int(m[10]))
        )
    for c in range(3):
        out[c] = shade * (m[1 + c] + f * (m[4 + c] - m[1 + c]))


@njit(cache=True)
def _light(
    prims, shadow0, n_hall, shadow1, bounds, lamps, ambient, x, y, z, nx, ny, nz, j1, j2, uvn
):
    """Irradiance at a point with this normal."""
    e = ambient * (0.7 + 0.3 * nz)
    for i in range(lamps.shape[0]):
        lx = lamps[i, 0] + (2 * j1 - 1) * lamps[i, 3] - x
        ly = lamps[i, 1] + (2 * j2 - 1) * lamps[i, 4] - y
        lz = lamps[i, 2] - z
        d2 = lx * lx + ly * ly + lz * lz
        d = math.sqrt(d2)
        cos = (lx * nx + ly * ny + lz * nz) / d
        if cos <= 0.0 or lz <= 0.0:
            continue
        part = lamps[i, 5] * (lz / d) * cos / d2
        if part < 0.004:
            continue
        if not _blocked(
            prims,
            shadow0,
            n_hall,
            shadow1,
            bounds,
            x + 1e-4 * nx,
            y + 1e-4 * ny,
            z + 1e-4 * nz,
            lx / d,
            ly / d,
            lz / d,
            d - 0.02,
            uvn,
        ):
            e += part
    return e


@njit(cache=True)
def _shade(
    prims,
    i,
    uvn,
    t,
    ox,
    oy,
    oz,
    dx,
    dy,
    dz,
    materials,
    pictures,
    lamps,
    ambient,
    shadow0,
    n_hall,
    shadow1,
    bounds,
    j1,
    j2,
    out,
):
    m = materials[int(prims[i, 2])]
    _reflectance(m, prims[i], pictures, uvn[0, 0], uvn[0, 1], out)
    if m[0] == GLOW:
        for c in range(3):
            out[c] *= m[11]
        return
    x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
    e = _light(
        prims,
        shadow0,
        n_hall,
        shadow1,
        bounds,
        lamps,
        ambient,
        x,
        y,
        z,
        uvn[0, 2],
        uvn[0, 3],
        uvn[0, 4],
        j1,
        j2,
        uvn,
    )
    for c in range(3):
        out[c] *= e


@njit(cache=True)
def _mirror(
    prims,
    n_hall,
    bounds,
    uvn,
    t,
    ox,
    oy,
    oz,
    dx,
    dy,
    dz,
    materials,
    pictures,
    lamps,
    ambient,
    gloss,
    j1,
    j2,
    seen,
    out,
):
    """Adds what a glossy table mirrors of the hall to out."""
    rough = 0.05
    nx, ny = rough * (j1 - 0.5), rough * (j2 - 0.5)
    nz = math.sqrt(1.0 - nx * nx - ny * ny)
    cos = -(dx * nx + dy * ny + dz * nz)
    if cos <= 0.0:
        return
    share = gloss + (1.0 - gloss) * gloss * 12.0 * (1.0 - cos) ** 5
    rx, ry, rz = dx + 2 * cos * nx, dy + 2 * cos * ny, dz + 2 * cos * nz
    x, y, z = ox + t * dx, oy + t * dy, oz + t * dz + 1e-4
    r, i = _nearest(prims, 0, n_hall, x, y, z, rx, ry, rz, uvn)
    if i < 0:
        return
    _shade(
        prims,
        i,
        uvn,
        r,
        x,
        y,
        z,
        rx,
        ry,
        rz,
        materials,
        pictures,
        lamps,
        ambient,
        0,
        0,
        0,
        bounds,
        0.5,
        0.5,
        seen,
    )
    for c in range(3):
        out[c] += share * seen[c]


@njit(cache=True)
def _key(prims, n_hall, n_table, n_all, ox, oy, oz, dx, dy, dz, uvn):
    """What a ray meets first: a number that changes at visible edges, negative near a line."""
    best, which = _nearest(prims, 0, n_all, ox, oy, oz, dx, dy, dz, uvn)
    if which < 0:
        return 0
    key = which + 1
    if which >= n_table:
        return -key  # the net's threads are everywhere
    if which >= n_hall and prims[which, 0] == 0.0:
        hx, hy = 0.5 * prims[which, 12], 0.5 * prims[which, 13]
        x, y = uvn[0, 0] - hx, uvn[0, 1] - hy
        if min(hx - abs(x), hy - abs(y)) < 0.045 or abs(y) < 0.025:
            return -key
    return key


@njit(cache=True)
def cast(
    size,
    f,
    cx,
    cy,
    k1,
    k2,
    R,
    centre,
    prims,
    n_hall,
    n_table,
    materials,
    pictures,
    lamps,
    ambient,
    shadow0,
    shadow1,
    bounds,
    spp,
    seed,
):
    """The empty hall from a camera.

    bounds (2, 6) holds boxes around the table and its net.
    Returns base (h, w, 3), table (h, w, 5): light, coverage, distance; net (h, w, 4).
    """
    w, h = size
    n_all = prims.shape[0]
    ox, oy, oz = centre[0], centre[1], centre[2]
    base = np.zeros((h, w, 3), np.float32)
    table = np.zeros((h, w, 5), np.float32)
    net = np.zeros((h, w, 4), np.float32)
    keys = np.zeros((h + 1, w + 1), np.int64)
    uvn = np.empty((2, 5))  # what was met, and scratch
    for j in range(h + 1):
        for i in range(w + 1):
            dx, dy, dz = ray_direction(f, cx, cy, k1, k2, R, i - 0.5, j - 0.5)
            keys[j, i] = _key(prims, n_hall, n_table, n_all, ox, oy, oz, dx, dy, dz, uvn)
    rgb = np.empty(3)
    seen = np.empty(3)
    acc = np.empty(3)
    for j in range(h):
        for i in range(w):
            a, b, c, d = keys[j, i], keys[j, i + 1], keys[j + 1, i], keys[j + 1, i + 1]
            fine = a != b or a != c or a != d or a < 0
            n = spp if fine else max(spp // 6, 2)
            s1, s2 = _random(i + seed, j), _random(j + 7919, i + seed)
            acc[:] = 0.0
            depth = 0.0
            for s in range(n):
                # a rank-1 lattice, shifted anew in each pixel
                p = (s + 0.5) / n
                q = s * 0.6180339887498949
                p = (p + s1) % 1.0
                q = (q + s2) % 1.0
                dx, dy, dz = ray_direction(f, cx, cy, k1, k2, R, i - 0.5 + p, j - 0.5 + q)
                j1, j2 = (q + 0.37) % 1.0, (p + 0.71) % 1.0
                t_net, i_net = FAR_M, -1
                if _meets(bounds[1], ox, oy, oz, dx, dy, dz):
                    t_net, i_net = _nearest(prims, n_table, n_all, ox, oy, oz, dx, dy, dz, uvn)
                opaque = False
                if i_net >= 0:
                    opaque = True
                    m = materials[int(prims[i_net, 2])]
                    if m[0] == MESH:
                        opaque = _thread(uvn[0, 0], uvn[0, 1], prims[i_net, 13], 0.0) > 0
                        if not opaque:  # through a hole: a post or band may stand behind
                            t_net, i_net = _behind(
                                prims, n_table, n_all, i_net, ox, oy, oz, dx, dy, dz, uvn
                            )
                            opaque = i_net >= 0
                    if opaque:
                        _shade(
                            prims,
                            i_net,
                            uvn,
                            t_net,
                            ox,
                            oy,
                            oz,
                            dx,
                            dy,
                            dz,
                            materials,
                            pictures,
                            lamps,
                            ambient,
                            0,
                            0,
                            0,
                            bounds,
                            j1,
                            j2,
                            rgb,
                        )
                t_tab, i_tab = FAR_M, -1
                if _meets(bounds[0], ox, oy, oz, dx, dy, dz):
                    t_tab, i_tab = _nearest(prims, n_hall, n_table, ox, oy, oz, dx, dy, dz, uvn)
                if opaque and t_net < t_tab:
                    for k in range(3):
                        net[j, i, k] += rgb[k] / n
                        acc[k] += rgb[k]
                    net[j, i, 3] += 1.0 / n
                    solid = True
                else:
                    solid = False
                if i_tab >= 0:
                    _shade(
                        prims,
                        i_tab,
                        uvn,
                        t_tab,
                        ox,
                        oy,
                        oz,
                        dx,
                        dy,
                        dz,
                        materials,
                        pictures,
                        lamps,
                        ambient,
                        shadow0,
                        n_hall,
                        shadow1,
                        bounds,
                        j1,
                        j2,
                        rgb,
                    )
                    gloss = materials[int(prims[i_tab, 2]), 8]
                    if gloss > 0.0 and uvn[0, 4] > 0.5:
                        _mirror(
                            prims,
                            n_hall,
                            bounds,
                            uvn,
                            t_tab,
                            ox,
                            oy,
                            oz,
                            dx,
                            dy,
                            dz,
                            materials,
                            pictures,
                            lamps,
                            ambient,
                            gloss,
                            j1,
                            j2,
                            seen,
                            rgb,
                        )
                    table[j, i, 3] += 1.0 / n
                    depth += t_tab
                    for k in range(3):
                        table[j, i, k] += rgb[k] / n
                        if not solid:
                            acc[k] += rgb[k]
                elif not solid:
                    t, i_hall = _nearest(prims, 0, n_hall, ox, oy, oz, dx, dy, dz, uvn)
                    if i_hall >= 0:
                        _shade(
                            prims,
                            i_hall,
                            uvn,
                            t,
                            ox,
                            oy,
                            oz,
                            dx,
                            dy,
                            dz,
                            materials,
                            pictures,
                            lamps,
                            ambient,
                            shadow0,
                            n_hall,
                            shadow1,
                            bounds,
                            j1,
                            j2,
                            rgb,
                        )
                        for k in range(3):
                            acc[k] += rgb[k]
            for k in range(3):
                base[j, i, k] = acc[k] / n
            covered = table[j, i, 3] * n
            table[j, i, 4] = depth / covered if covered > 0.5 else FAR_M
    return base, table, net


@njit(cache=True)
def _behind(prims, first, last, skip, ox, oy, oz, dx, dy, dz, uvn):
    best, which = FAR_M, -1
    for i in range(first, last):
        if i == skip:
            continue
        t = hit(prims, i, ox, oy, oz, dx, dy, dz, uvn[1])
        if t < best:
            best, which = t, i
            for k in range(5):
                uvn[0, k] = uvn[1, k]
    return best, which
