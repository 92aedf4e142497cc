"""Compiled loops over pixels: change between pictures, and blobs of change."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from halfvolley.types.arrays import ByteImage, FloatArray

RunArray = NDArray[np.int32]

CHROMA_WEIGHT = 1.5  # coded chroma is quieter than luma, so a step in it tells more
LUMA_WEIGHT = 0.5  # of a colour distance: shading moves the ball's luma far, its chroma little
DEEPEST_SHADE = 0.4  # of a ball's luma and chroma, against its usual ones

# columns of the blob table
AREA, X0, X1, Y0, Y1, SW, SX, SY, SXX, SYY, SXY, LUMA, CB, CR = range(14)
BACK_LUMA, BACK_CB, BACK_CR = 14, 15, 16
BLOB_COLUMNS = 17

# columns of the spot table
SPOT_U, SPOT_V, SPOT_R, SPOT_SX, SPOT_SY, SPOT_RANK = range(6)
SPOT_COLUMNS = 6


@njit(cache=True, nogil=True, fastmath=True)
def change_between(
    y: ByteImage, cb: ByteImage, cr: ByteImage,
    y_p: ByteImage, cb_p: ByteImage, cr_p: ByteImage, gain_p: FloatArray,
    y_n: ByteImage, cb_n: ByteImage, cr_n: ByteImage, gain_n: FloatArray,
    black: float, least: float, allowed: ByteImage, out: ByteImage,
) -> None:  # fmt: skip
    """Write what differs from both other pictures with the same sign, zero below `least`.

    A thing that moves is in each picture at another place, so the same sign on both sides holds
    only where it is in the middle picture: neither its earlier nor its later image fires.
    `gain_*` bring the other picture's luma to the brightness of this one, row by row.
    """
    rows, columns = y.shape
    zero = np.float32(0)
    weight = np.float32(CHROMA_WEIGHT)
    most = np.float32(255)
    floor = np.float32(least)
    for i in range(rows):
        g_p = np.float32(gain_p[i])
        g_n = np.float32(gain_n[i])
        o_p = np.float32(black * (1.0 - gain_p[i]))
        o_n = np.float32(black * (1.0 - gain_n[i]))
        for j in range(columns):
            t = np.float32(y[i, j])
            p = t - np.float32(y_p[i, j]) * g_p - o_p
            n = t - np.float32(y_n[i, j]) * g_n - o_n
            s = max(min(p, n), zero) - min(max(p, n), zero)
            t = np.float32(cb[i, j])
            p = t - np.float32(cb_p[i, j])
            n = t - np.float32(cb_n[i, j])
            q = max(min(p, n), zero) - min(max(p, n), zero)
            t = np.float32(cr[i, j])
            p = t - np.float32(cr_p[i, j])
            n = t - np.float32(cr_n[i, j])
            q += max(min(p, n), zero) - min(max(p, n), zero)
            s += weight * q
            s = s if s >= floor else zero
            out[i, j] = np.uint8(min(s, most)) & allowed[i, j]


@njit(cache=True, nogil=True, fastmath=True)
def colour_distance(
    y: ByteImage, cb: ByteImage, cr: ByteImage, gain: FloatArray, black: float,
    colour: FloatArray, out: ByteImage,
) -> None:  # fmt: skip
    """Write how far each pixel's colour is from `colour` (luma above black, cb, cr)."""
    rows, columns = y.shape
    c_y = np.float32(colour[0] + black)
    c_b = np.float32(colour[1])
    c_r = np.float32(colour[2])
    w_y = np.float32(LUMA_WEIGHT)
    w_c = np.float32(CHROMA_WEIGHT)
    most = np.float32(255)
    for i in range(rows):
        g = np.float32(1.0 / gain[i])
        o = np.float32(black * (1.0 - 1.0 / gain[i]))
        for j in range(columns):
            d = w_y * abs(np.float32(y[i, j]) * g + o - c_y)
            d += w_c * abs(np.float32(cb[i, j]) - c_b)
            d += w_c * abs(np.float32(cr[i, j]) - c_r)
            out[i, j] = np.uint8(min(d, most))


@njit(cache=True, nogil=True)
def nearer_than_both(
    distance: ByteImage, before: ByteImage, after: ByteImage, least: int, allowed: ByteImage,
    out: ByteImage,
) -> None:  # fmt: skip
    """Write by how much a distance is below that in both other pictures, zero below `least`."""
    rows, columns = distance.shape
    for i in range(rows):
        for j in range(columns):
            other = min(before[i, j], after[i, j])
            d = np.uint8(max(other, distance[i, j]) - distance[i, j])
            out[i, j] = (d if d >= least else np.uint8(0)) & allowed[i, j]


@njit(cache=True, nogil=True, fastmath=True)
def at_brightness(picture: ByteImage, black: float, gain: FloatArray, out: ByteImage) -> None:
    """Write a picture with its luma above `black` times a gain by row."""
    rows, columns = picture.shape
    for i in range(rows):
        g = np.float32(gain[i])
        o = np.float32(black * (1.0 - gain[i]))
        for j in range(columns):
            t = np.float32(picture[i, j]) * g + o
            out[i, j] = np.uint8(min(max(t, np.float32(0)), np.float32(255)))


@njit(cache=True, nogil=True)
def typical_change(change: ByteImage, share: float) -> int:
    """Value that `share` of a sparse sample of pixels does not exceed."""
    counts = np.zeros(256, np.int64)
    n = 0
    for i in range(3, change.shape[0], 7):
        for j in range(2, change.shape[1], 5):
            counts[change[i, j]] += 1
            n += 1
    below = 0
    for value in range(256):
        below += counts[value]
        if below >= share * n:
            return value
    return 255


@njit(cache=True, nogil=True)
def halved(picture: ByteImage, out: ByteImage) -> None:
    """Write the rounded means of two by two pixels; `picture` lies in one piece, its width is even.

    Neighbours are read as one number of 16 bits, so that the compiler makes vectors of them.
    """
    rows, columns = out.shape
    pairs = picture.view(np.uint16)
    low = np.uint16(255)
    byte = np.uint16(8)
    two = np.uint16(2)
    for i in range(rows):
        upper, lower, to = pairs[2 * i], pairs[2 * i + 1], out[i]
        for j in range(columns):
            p, q = upper[j], lower[j]
            to[j] = np.uint8(((p & low) + (p >> byte) + (q & low) + (q >> byte) + two) >> two)


@njit(cache=True, nogil=True)
def block_means(picture: ByteImage, black: float, out: FloatArray) -> None:
    """Write the means above `black` of a grid of blocks, from every third row and fourth pixel."""
    bands, columns = out.shape
    height, width = picture.shape
    for a in range(bands):
        top, bottom = a * height // bands, (a + 1) * height // bands
        for b in range(columns):
            left, right = b * width // columns, (b + 1) * width // columns
            total = 0
            for i in range(top, bottom, 3):
                row = picture[i]
                for j in range(left, right, 4):
                    total += row[j]
            n = ((bottom - top + 2) // 3) * ((right - left + 3) // 4)
            out[a, b] = max(total / max(n, 1) - black, 4.0)


@njit(cache=True, nogil=True)
def follow_brightness(blocks: FloatArray, reference: FloatArray, share: float) -> FloatArray:
    """(bands,) median ratio of the blocks to the reference, which then moves by `share`.

    What stays changed (a door, a cloud) moves the reference; people pass through it.
    """
    bands = len(blocks)
    ratio = np.empty(bands)
    for a in range(bands):
        ratio[a] = np.median(blocks[a] / reference[a])
        reference[a] += share * (blocks[a] / ratio[a] - reference[a])
    return ratio


@njit(cache=True, nogil=True)
def median_of_seven(a, b, c, d, e, f, g, out):  # type: ignore[no-untyped-def]
    """Per-pixel median of seven pictures, by exchanges that the compiler turns into vectors."""
    rows, columns = out.shape
    for i in range(rows):
        for j in range(columns):
            p0, p1, p2, p3 = a[i, j], b[i, j], c[i, j], d[i, j]
            p4, p5, p6 = e[i, j], f[i, j], g[i, j]
            p0, p5 = min(p0, p5), max(p0, p5)
            p0, p3 = min(p0, p3), max(p0, p3)
            p1, p6 = min(p1, p6), max(p1, p6)
            p2, p4 = min(p2, p4), max(p2, p4)
            p1 = max(p0, p1)
            p3, p5 = min(p3, p5), max(p3, p5)
            p2, p6 = min(p2, p6), max(p2, p6)
            p3 = max(p2, p3)
            p3 = min(p3, p6)
            p4 = min(p4, p5)
            p1, p4 = min(p1, p4), max(p1, p4)
            p3 = max(p1, p3)
            out[i, j] = min(p3, p4)


@njit(cache=True, nogil=True)
def _root(parent, k):  # type: ignore[no-untyped-def]
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@njit(cache=True, nogil=True)
def find_runs(change: ByteImage, threshold: int, runs: RunArray) -> int:
    """Write start, stop and row of the runs of `change >= threshold`; return how many.

    `change` is contiguous with a width that is a multiple of 8 and is mostly zero: eight empty
    pixels are skipped at once. `runs` is (3, m); rows after m runs are dropped: a picture as busy
    as that holds no findable ball.
    """
    rows, columns = change.shape
    words = change.view(np.uint64)
    n = 0
    for i in range(rows):
        j = 0
        while j < columns:
            if (j & 7) == 0 and words[i, j >> 3] == 0:
                j += 8
                continue
            if change[i, j] < threshold:
                j += 1
                continue
            k = j + 1
            while k < columns and change[i, k] >= threshold:
                k += 1
            if n == runs.shape[1]:
                return n
            runs[0, n] = j
            runs[1, n] = k
            runs[2, n] = i
            n += 1
            j = k
    return n


@njit(cache=True, nogil=True)
def higher_runs(change: ByteImage, threshold: int, runs: RunArray, n: int, out: RunArray) -> int:
    """Write the runs at a threshold, all of which lie in the `n` runs of a lower one."""
    count = 0
    for a in range(n):
        i = runs[2, a]
        j = runs[0, a]
        while j < runs[1, a]:
            if change[i, j] < threshold:
                j += 1
                continue
            k = j + 1
            while k < runs[1, a] and change[i, k] >= threshold:
                k += 1
            if count == out.shape[1]:
                return count
            out[0, count] = j
            out[1, count] = k
            out[2, count] = i
            count += 1
            j = k
    return count


@njit(cache=True, nogil=True)
def _join_runs(runs, n, parent):  # type: ignore[no-untyped-def]
    """Join runs of neighbouring rows that touch, if only at their corners, in `parent`."""
    start, stop, row = runs[0], runs[1], runs[2]
    above = 0  # first run of the row above that may touch
    first = 0  # first run of this row
    for b in range(n):
        parent[b] = b
        if b > 0 and row[b] != row[b - 1]:
            above = first if row[b] == row[b - 1] + 1 else b
            first = b
        while above < first and stop[above] < start[b]:
            above += 1
        c = above
        while c < first and start[c] <= stop[b]:
            low = _root(parent, c)
            high = _root(parent, b)
            if low > high:
                low, high = high, low
            parent[high] = low
            c += 1


@njit(cache=True, nogil=True)
def _outline(runs, n, work, table):  # type: ignore[no-untyped-def]
    """Area and box of each blob; `work[1]` takes the blob of each root run. Return how many."""
    parent, label = work[0], work[1]
    label[:n] = -1
    found = 0
    for k in range(n):
        r = _root(parent, k)
        if label[r] < 0:
            if found == len(table):
                continue
            label[r] = found
            table[found, :] = 0.0
            table[found, X0] = 1e9
            table[found, Y0] = runs[2, k]
            found += 1
        t = label[r]
        table[t, AREA] += runs[1, k] - runs[0, k]
        table[t, X0] = min(table[t, X0], runs[0, k])
        table[t, X1] = max(table[t, X1], runs[1, k] - 1)
        table[t, Y1] = runs[2, k]
    return found


@njit(cache=True, nogil=True)
def find_blobs(
    change: ByteImage, runs: RunArray, n: int, longest: float, y: ByteImage, cb: ByteImage,
    cr: ByteImage, back_y: ByteImage, back_cb: ByteImage, back_cr: ByteImage, work: RunArray,
    table: FloatArray,
) -> int:  # fmt: skip
    """Fill `table` with the 8-connected blobs that the first `n` runs make; return how many.

    Blobs wider or higher than `longest` pixels are limbs; they are left with no area. Blobs beyond
    the length of `table` are dropped. `work` is (2, m) room for as many runs.
    """
    _join_runs(runs, n, work[0])
    found = _outline(runs, n, work, table)
    for t in range(found):
        if max(table[t, X1] - table[t, X0], table[t, Y1] - table[t, Y0]) > longest:
            table[t, AREA] = 0.0
    for k in range(n):
        t = work[1, _root(work[0], k)]
        if t < 0 or table[t, AREA] == 0.0:
            continue
        i = runs[2, k]
        sw = 0
        sx = 0
        sxx = 0
        seen_y, seen_cb, seen_cr = 0, 0, 0
        was_y, was_cb, was_cr = 0, 0, 0
        for j in range(runs[0, k], runs[1, k]):
            c = int(change[i, j])
            sw += c
            sx += c * j
            sxx += c * j * j
            seen_y += c * y[i, j]
            seen_cb += c * cb[i, j]
            seen_cr += c * cr[i, j]
            was_y += c * back_y[i, j]
            was_cb += c * back_cb[i, j]
            was_cr += c * back_cr[i, j]
        table[t, SW] += sw
        table[t, SX] += sx
        table[t, SY] += sw * i
        table[t, SXX] += sxx
        table[t, SYY] += sw * i * i
        table[t, SXY] += sx * i
        table[t, LUMA] += seen_y
        table[t, CB] += seen_cb
        table[t, CR] += seen_cr
        table[t, BACK_LUMA] += was_y
        table[t, BACK_CB] += was_cb
        table[t, BACK_CR] += was_cr
    return found


@njit(cache=True, nogil=True)
def radius_at(u, v, cell, r_min, r_max):  # type: ignore[no-untyped-def]
    """Smallest and largest plausible radius at a place; NaN where the ball cannot be."""
    rows, columns = r_min.shape
    i = min(max(int((v + 0.5) / cell), 0), rows - 1)
    j = min(max(int((u + 0.5) / cell), 0), columns - 1)
    return r_min[i, j], r_max[i, j]


@njit(cache=True, nogil=True)
def _crowd(change, x0, x1, y0, y1, area, margin):  # type: ignore[no-untyped-def]
    """Share of changed pixels in the frame of a blob, the blob itself left out."""
    rows, columns = change.shape
    n = -area
    for i in range(max(y0 - margin, 0), min(y1 + margin + 1, rows)):
        for j in range(max(x0 - margin, 0), min(x1 + margin + 1, columns)):
            if change[i, j]:
                n += 1
    whole = (x1 - x0 + 1 + 2 * margin) * (y1 - y0 + 1 + 2 * margin)
    return max(n, 0.0) / max(whole - area, 1.0)


@njit(cache=True, nogil=True)
def _off_colour(blob, black, colour):  # type: ignore[no-untyped-def]
    """How far a blob's colour is from any mixture of its background with the ball's colour."""
    weight = blob[SW]
    b0 = blob[BACK_LUMA] / weight - black
    b1 = blob[BACK_CB] / weight
    b2 = blob[BACK_CR] / weight
    s0 = LUMA_WEIGHT * (blob[LUMA] / weight - black - b0)
    s1 = CHROMA_WEIGHT * (blob[CB] / weight - b1)
    s2 = CHROMA_WEIGHT * (blob[CR] / weight - b2)
    best = 1e9
    for step in range(4):  # the ball in the light, and in ever deeper shade
        shade = 1.0 - step * (1.0 - DEEPEST_SHADE) / 3.0
        c0 = LUMA_WEIGHT * (shade * colour[0] - b0)
        c1 = CHROMA_WEIGHT * (128.0 + shade * (colour[1] - 128.0) - b1)
        c2 = CHROMA_WEIGHT * (128.0 + shade * (colour[2] - 128.0) - b2)
        share = (s0 * c0 + s1 * c1 + s2 * c2) / max(c0 * c0 + c1 * c1 + c2 * c2, 1.0)
        share = min(max(share, 0.2), 1.1)
        d = (s0 - share * c0) ** 2 + (s1 - share * c1) ** 2 + (s2 - share * c2) ** 2
        best = min(best, math.sqrt(d) + 5.0 * step)
    return best


@njit(cache=True, nogil=True)
def usual_radius(u, v, model):  # type: ignore[no-untyped-def]
    """Radius that balls had near a place: exp of a plane over the picture."""
    return math.exp(model[0] + model[1] * u + model[2] * v)


@njit(cache=True, nogil=True)
def off_radius(r, u, v, model):  # type: ignore[no-untyped-def]
    """Distance of a radius from the usual one, in its spread; 0 where none is known."""
    if model[3] <= 0.0:
        return 0.0
    return abs(math.log(r / usual_radius(u, v, model))) / model[3]


@njit(cache=True, nogil=True)
def pick_spots(
    table: FloatArray, n: int, change: ByteImage, corner: tuple[int, int], level: int, cell: int,
    r_min: FloatArray, r_max: FloatArray, longest: float, black: float, colour: FloatArray,
    trust: float, size: FloatArray, spots: FloatArray, count: int,
) -> int:  # fmt: skip
    """Append blobs that may be the ball to `spots`, with a rank; return the new number.

    `change` is at 1/`level` of the size; `corner` is its first row and column in the whole picture.

    The rank is for choosing what to measure: strong, filled like a swept disc, alone, and, where
    they are known, of the ball's colour (`trust` > 0) and usual size.
    """
    for k in range(n):
        weight = table[k, SW]
        area = table[k, AREA]
        if area < 3.0:
            continue
        x = table[k, SX] / weight
        y = table[k, SY] / weight
        xx = table[k, SXX] / weight - x * x + 1.0 / 12.0
        yy = table[k, SYY] / weight - y * y + 1.0 / 12.0
        xy = table[k, SXY] / weight - x * y
        half = math.hypot((xx - yy) / 2.0, xy)
        small = max((xx + yy) / 2.0 - half, 0.02)
        large = (xx + yy) / 2.0 + half
        r = 2.0 * math.sqrt(small) * level
        streak = math.sqrt(12.0 * max(large - small, 0.0)) * level
        u = (x + corner[1]) * level + (level - 1) / 2.0
        v = (y + corner[0]) * level + (level - 1) / 2.0
        low, high = radius_at(u, v, cell, r_min, r_max)
        if not (r >= 0.45 * low and r <= 1.5 * high and streak <= longest):
            continue
        fill = area * level * level / (math.pi * r * r + 2.0 * r * streak)
        if fill < 0.4:
            continue
        rank = weight / (weight + 15.0 * area) * min(fill, 1.0)
        if r < 0.8 * low:
            rank *= r / (0.8 * low)
        margin = int(max(2.0, 0.8 * r / level))
        crowd = _crowd(
            change, int(table[k, X0]), int(table[k, X1]), int(table[k, Y0]), int(table[k, Y1]),
            area, margin,
        )  # fmt: skip
        rank *= 1.0 - 0.8 * min(2.0 * crowd, 1.0)
        if trust > 0.0:
            d = _off_colour(table[k], black, colour)
            rank *= 1.0 - 0.9 * trust * (1.0 - 1.0 / (1.0 + (d / 20.0) ** 2))
        off = max(off_radius(r, u, v, size) - 1.0, 0.0)
        rank *= max(1.0 / (1.0 + 0.5 * off * off), 0.1)
        if count == len(spots):
            worst = 0
            for i in range(1, count):
                if spots[i, SPOT_RANK] < spots[worst, SPOT_RANK]:
                    worst = i
            if spots[worst, SPOT_RANK] >= rank:
                continue
            place = worst
        else:
            place = count
            count += 1
        angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
        spots[place, SPOT_U] = u
        spots[place, SPOT_V] = v
        spots[place, SPOT_R] = min(max(r, low), high)
        spots[place, SPOT_SX] = streak * math.cos(angle)
        spots[place, SPOT_SY] = streak * math.sin(angle)
        spots[place, SPOT_RANK] = rank
    return count


@njit(cache=True, nogil=True)
def distinct_spots(spots: FloatArray, count: int, most: int, share: float, kept: FloatArray) -> int:
    """Copy the best `most` spots that do not lie on a better one; return how many.

    Spots with less than `share` of the best rank are left out.
    """
    order = np.argsort(-spots[:count, SPOT_RANK])
    n = 0
    for i in order:
        if spots[i, SPOT_RANK] < share * spots[order[0], SPOT_RANK]:
            break
        near = False
        for j in range(n):
            gap = math.hypot(spots[i, SPOT_U] - kept[j, SPOT_U], spots[i, SPOT_V] - kept[j, SPOT_V])
            if gap < 0.5 * min(spots[i, SPOT_R], kept[j, SPOT_R]):
                near = True
                break
        if not near:
            kept[n] = spots[i]
            n += 1
            if n == most:
                break
    return n
