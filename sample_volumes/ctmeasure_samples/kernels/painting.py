"""Painting a scene on a fine grid, and reading it through a point spread."""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

from ctmeasure_samples.kernels.primitives import SCRATCH
from ctmeasure_samples.kernels.scenes import _inside_box, element_distance

# Elements are sorted out per tile, then per block of the tile, of so many fine samples a side.
TILE = 8
BLOCK = 4


@njit(cache=True)
def _texture(lattice, spacing, x, y, z):
    """Smooth random field: trilinear in a periodic lattice."""
    n = lattice.shape[0]
    gx, gy, gz = x / spacing, y / spacing, z / spacing
    i, j, k = math.floor(gx), math.floor(gy), math.floor(gz)
    fx, fy, fz = gx - i, gy - j, gz - k
    i0, j0, k0 = int(i) % n, int(j) % n, int(k) % n
    i1, j1, k1 = (i0 + 1) % n, (j0 + 1) % n, (k0 + 1) % n
    c00 = lattice[i0, j0, k0] * (1 - fx) + lattice[i1, j0, k0] * fx
    c10 = lattice[i0, j1, k0] * (1 - fx) + lattice[i1, j1, k0] * fx
    c01 = lattice[i0, j0, k1] * (1 - fx) + lattice[i1, j0, k1] * fx
    c11 = lattice[i0, j1, k1] * (1 - fx) + lattice[i1, j1, k1] * fx
    return (c00 * (1 - fy) + c10 * fy) * (1 - fz) + (c01 * (1 - fy) + c11 * fy) * fz


@njit(cache=True)
def _mapped(m, o, k, j, i):
    return (
        m[0, 0] * k + m[0, 1] * j + m[0, 2] * i + o[0],
        m[1, 0] * k + m[1, 1] * j + m[1, 2] * i + o[1],
        m[2, 0] * k + m[2, 1] * j + m[2, 2] * i + o[2],
    )


@njit(cache=True, parallel=True)
def paint(
    out, map_matrix, map_origin, cover_mm, starts, ops, args, kinds, offsets, q, boxes,
    stretches, levels, textures, texture_spacing, textured_sd, background, keep_sign, midline
):  # fmt: skip
    """Paint a scene on a fine grid, each sample an average over its own cell (coverage by signed distance).

    Parameters
    ----------
    out
        Fine grid (nk, nj, ni) float32, written in place.
    map_matrix, map_origin
        Fine index (k, j, i) to the ear's own frame.
    cover_mm
        Width over which coverage goes from 0 to 1: the fine step.
    stretches
        Per element: a distance is never larger than the true one times this.
    levels
        Grey level of each element's material.
    textures, texture_spacing, textured_sd
        Random fields, their lattice steps, and per element and field the relative standard deviation.
    background
        Level where nothing is painted.
    keep_sign, midline
        Samples with keep_sign * (x - midline) < 0 in the ear's frame are left as they are (0: all are painted).
    """
    nk, nj, ni = out.shape
    n_el = starts.shape[0] - 1
    tk, tj, ti = (nk + TILE - 1) // TILE, (nj + TILE - 1) // TILE, (ni + TILE - 1) // TILE
    n_tex = textures.shape[0]
    corner = math.sqrt(
        ((TILE - 1) * 0.5) ** 2
        * (
            map_matrix[0, 0] ** 2 + map_matrix[1, 0] ** 2 + map_matrix[2, 0] ** 2
            + map_matrix[0, 1] ** 2 + map_matrix[1, 1] ** 2 + map_matrix[2, 1] ** 2
            + map_matrix[0, 2] ** 2 + map_matrix[1, 2] ** 2 + map_matrix[2, 2] ** 2
        )
    )  # fmt: skip
    for tile in prange(tk * tj):
        scratch = np.empty(SCRATCH)
        chosen = np.empty(n_el, np.int64)
        near = np.empty(n_el, np.int64)
        settled = np.empty(n_el, np.bool_)
        bk = (tile // tj) * TILE
        bj = (tile % tj) * TILE
        small = corner * (BLOCK - 1.0) / (TILE - 1.0)
        for ib in range(ti):
            bi = ib * TILE
            x, y, z = _mapped(
                map_matrix, map_origin, bk + (TILE - 1) * 0.5, bj + (TILE - 1) * 0.5, bi + (TILE - 1) * 0.5
            )
            if keep_sign != 0.0 and keep_sign * (x - midline) < -corner:
                continue
            count = 0
            for e in range(n_el - 1, -1, -1):
                if not _inside_box(boxes, e, x, y, z, corner + cover_mm):
                    continue
                d = element_distance(e, starts, ops, args, kinds, offsets, q, x, y, z, scratch)
                if d > stretches[e] * corner + cover_mm:
                    continue
                chosen[count] = e
                count += 1
                if d < -stretches[e] * corner - cover_mm:
                    break
            for block in range((TILE // BLOCK) ** 3):
                sk = bk + BLOCK * (block // 4)
                sj = bj + BLOCK * ((block // 2) % 2)
                si = bi + BLOCK * (block % 2)
                if sk >= nk or sj >= nj or si >= ni:
                    continue
                x, y, z = _mapped(
                    map_matrix, map_origin, sk + (BLOCK - 1) * 0.5, sj + (BLOCK - 1) * 0.5, si + (BLOCK - 1) * 0.5
                )
                kept = 0
                for c in range(count):
                    e = chosen[c]
                    d = element_distance(e, starts, ops, args, kinds, offsets, q, x, y, z, scratch)
                    if d > stretches[e] * small + cover_mm:
                        continue
                    near[kept] = e
                    settled[kept] = d < -stretches[e] * small - cover_mm
                    kept += 1
                    if settled[kept - 1]:
                        break
                for k in range(sk, min(sk + BLOCK, nk)):
                    for j in range(sj, min(sj + BLOCK, nj)):
                        for i in range(si, min(si + BLOCK, ni)):
                            x, y, z = _mapped(map_matrix, map_origin, k, j, i)
                            if keep_sign != 0.0 and keep_sign * (x - midline) < 0.0:
                                continue
                            # From the top down: what lies under a full cover needs no evaluation.
                            value = 0.0
                            left = 1.0
                            for c in range(kept):
                                e = near[c]
                                share = 1.0
                                if not settled[c]:
                                    d = element_distance(e, starts, ops, args, kinds, offsets, q, x, y, z, scratch)
                                    if d >= 0.5 * cover_mm:
                                        continue
                                    if d > -0.5 * cover_mm:
                                        share = 0.5 - d / cover_mm
                                level = levels[e]
                                for f in range(n_tex):
                                    if textured_sd[e, f] != 0.0:
                                        level *= 1.0 + textured_sd[e, f] * _texture(
                                            textures[f], texture_spacing[f], x, y, z
                                        )
                                value += left * share * level
                                left *= 1.0 - share
                                if left <= 0.0:
                                    break
                            out[k, j, i] = value + left * background


@njit(cache=True, parallel=True)
def sample_axis(fine, weights, first, factor, count, axis):
    """Weighted sums along one axis: output n reads weights over fine[first + n * factor ...] (edges repeat)."""
    nk, nj, ni = fine.shape
    m = weights.shape[0]
    if axis == 0:
        out = np.empty((count, nj, ni), np.float32)
        for n in prange(count):
            for j in range(nj):
                for i in range(ni):
                    total = 0.0
                    for w in range(m):
                        s = min(max(first + n * factor + w, 0), nk - 1)
                        total += weights[w] * fine[s, j, i]
                    out[n, j, i] = total
        return out
    if axis == 1:
        out = np.empty((nk, count, ni), np.float32)
        for k in prange(nk):
            for n in range(count):
                for i in range(ni):
                    total = 0.0
                    for w in range(m):
                        s = min(max(first + n * factor + w, 0), nj - 1)
                        total += weights[w] * fine[k, s, i]
                    out[k, n, i] = total
        return out
    out = np.empty((nk, nj, count), np.float32)
    for k in prange(nk):
        for j in range(nj):
            for n in range(count):
                total = 0.0
                for w in range(m):
                    s = min(max(first + n * factor + w, 0), ni - 1)
                    total += weights[w] * fine[k, j, s]
                out[k, j, n] = total
    return out
