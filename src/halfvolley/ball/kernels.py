"""Compiled loops over pixels: change between pictures, and blobs of change."""

import numpy as np
from numba import njit

from halfvolley.types.arrays import ByteImage, FloatArray

CHROMA_WEIGHT = 1.5  # coded chroma is quieter than luma, so a step in it tells more

# columns of the blob table
AREA, X0, X1, Y0, Y1, SW, SX, SY, SXX, SYY, SXY, PEAK = range(12)
BLOB_COLUMNS = 12


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


@njit(cache=True, nogil=True)
def _root(parent, k):  # type: ignore[no-untyped-def]
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@njit(cache=True, nogil=True)
def find_blobs(change: ByteImage, threshold: int, most: int, table: FloatArray) -> int:
    """Fill `table` with the 8-connected blobs of `change >= threshold`; return how many.

    `change` is contiguous with a width that is a multiple of 8 and is mostly zero: eight empty
    pixels are skipped at once. Blobs beyond the length of `table`, and rows after `most` runs,
    are dropped: a picture as busy as that holds no findable ball.
    """
    rows, columns = change.shape
    words = change.view(np.uint64)
    start = np.empty(most, np.int32)
    stop = np.empty(most, np.int32)
    row = np.empty(most, np.int32)
    parent = np.empty(most, np.int32)
    n = 0
    above_from = 0  # runs of the row above
    above_to = 0
    full = False
    for i in range(rows):
        first = n
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
            if n == most:
                full = True
                break
            start[n] = j
            stop[n] = k
            row[n] = i
            parent[n] = n
            n += 1
            j = k
        if full:
            break
        a = above_from
        for b in range(first, n):
            while a < above_to and stop[a] < start[b]:
                a += 1
            c = a
            while c < above_to and start[c] <= stop[b]:
                ra = _root(parent, c)
                rb = _root(parent, b)
                if ra != rb:
                    if ra < rb:
                        parent[rb] = ra
                    else:
                        parent[ra] = rb
                c += 1
        above_from = first
        above_to = n
    label = np.full(n, -1, np.int32)
    found = 0
    for k in range(n):
        r = _root(parent, k)
        if label[r] < 0:
            if found == len(table):
                continue
            label[r] = found
            table[found, :] = 0.0
            table[found, X0] = columns
            table[found, Y0] = rows
            found += 1
        t = label[r]
        i = row[k]
        sw = 0.0
        sx = 0.0
        sxx = 0.0
        for j in range(start[k], stop[k]):
            c = float(change[i, j])
            sw += c
            sx += c * j
            sxx += c * j * j
            table[t, PEAK] = max(table[t, PEAK], c)
        table[t, AREA] += stop[k] - start[k]
        table[t, X0] = min(table[t, X0], start[k])
        table[t, X1] = max(table[t, X1], stop[k] - 1)
        table[t, Y0] = min(table[t, Y0], i)
        table[t, Y1] = max(table[t, Y1], i)
        table[t, SW] += sw
        table[t, SX] += sx
        table[t, SY] += sw * i
        table[t, SXX] += sxx
        table[t, SYY] += sw * i * i
        table[t, SXY] += sx * i
    return found
