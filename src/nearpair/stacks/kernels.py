"""Compiled inner loop of registration: robust Gauss-Newton on a sparse set of points.

The model of a frame against its neighbour, per point p of the fixed picture f (band-passed):

    moving(T(p)) = (1 + α_c)·f(p) + β_c·∇²f(p) + noise

α_c and β_c are free in every cell c of a grid: defocus changes contrast and adds a multiple of the
Laplacian (first term of the heat equation), and without them growing blur discs read as magnification.
They are eliminated cell by cell, so that only the four parameters of the similarity remain.
Inverse-compositional update: Baker & Matthews, "Lucas-Kanade 20 years on", IJCV 56(3), 2004.
Robust weights: Tukey's biweight, c = 4.685 (Beaton & Tukey 1974).
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]

_MANY = 10_000
_TUKEY = 4.685
_MAD_TO_SIGMA = 1.4826


@njit(cache=True, nogil=True)
def sample(spline: F32, x: float, y: float) -> float:
    """Value of a cubic B-spline at (x, y) px; NaN closer than two px to the border."""
    height, width = spline.shape
    ix, iy = math.floor(x), math.floor(y)
    if ix < 1 or iy < 1 or ix > width - 3 or iy > height - 3:
        return math.nan
    u, v = x - ix, y - iy
    wx0, wx3 = (1.0 - u) ** 3 / 6.0, u * u * u / 6.0
    wx1 = (0.5 * u - 1.0) * u * u + 2.0 / 3.0
    wx2 = 1.0 - wx0 - wx1 - wx3
    wy0, wy3 = (1.0 - v) ** 3 / 6.0, v * v * v / 6.0
    wy1 = (0.5 * v - 1.0) * v * v + 2.0 / 3.0
    wy2 = 1.0 - wy0 - wy1 - wy3
    total = 0.0
    for j in range(4):
        row = iy - 1 + j
        value = (
            wx0 * spline[row, ix - 1]
            + wx1 * spline[row, ix]
            + wx2 * spline[row, ix + 1]
            + wx3 * spline[row, ix + 2]
        )
        total += value * (wy0 if j == 0 else wy1 if j == 1 else wy2 if j == 2 else wy3)
    return total


@njit(cache=True, nogil=True)
def _project_cell(design: F64, nuisance: F64, weights: F64, start: int, stop: int, out: F64) -> None:
    """Remove from each column of `design` its weighted fit by the two nuisance columns, in one cell."""
    g00 = g01 = g11 = 1e-12
    h = np.zeros((2, 5))
    for p in range(start, stop):
        w = weights[p]
        n0, n1 = nuisance[p, 0], nuisance[p, 1]
        g00 += w * n0 * n0
        g01 += w * n0 * n1
        g11 += w * n1 * n1
        for c in range(5):
            h[0, c] += w * n0 * design[p, c]
            h[1, c] += w * n1 * design[p, c]
    # a little damping: an almost flat cell must not explain everything
    g00 *= 1.0001
    g11 *= 1.0001
    det = g00 * g11 - g01 * g01
    for p in range(start, stop):
        n0, n1 = nuisance[p, 0], nuisance[p, 1]
        for c in range(5):
            k0 = (g11 * h[0, c] - g01 * h[1, c]) / det
            k1 = (g00 * h[1, c] - g01 * h[0, c]) / det
            out[p, c] = design[p, c] - n0 * k0 - n1 * k1


@njit(cache=True, nogil=True)
def _reweight(projected: F64, valid: NDArray[np.bool_], weights: F64) -> float:
    """Biweights from the projected residuals (last column); returns their robust sigma."""
    # a sigma to one part in a hundred is good enough, and a median of all would take a third of the time;
    # every fifth, because cells have six points, the strongest first
    count, every = 0, 5 if projected.shape[0] > _MANY else 1
    magnitudes = np.empty(projected.shape[0] // every + 1)
    for p in range(0, projected.shape[0], every):
        if valid[p]:
            magnitudes[count] = abs(projected[p, 4])
            count += 1
    sigma = float(_MAD_TO_SIGMA * np.median(magnitudes[:count]) + 1e-7)
    for p in range(projected.shape[0]):
        u = projected[p, 4] / (_TUKEY * sigma)
        weights[p] = (1.0 - u * u) ** 2 if valid[p] and abs(u) < 1.0 else 0.0
    return sigma


@njit(cache=True, nogil=True)
def _residuals(
    moving: F32, points: I32, fixed: F64, params: F64, design: F64, valid: NDArray[np.bool_]
) -> int:
    """Fill the last column of `design` with moving(T(p)) − fixed(p); returns the number inside."""
    inside = 0
    for p in range(points.shape[0]):
        x, y = points[p, 0], points[p, 1]
        value = sample(
            moving,
            params[0] * x - params[1] * y + params[2],
            params[1] * x + params[0] * y + params[3],
        )
        valid[p] = not math.isnan(value)
        design[p, 4] = value - fixed[p] if valid[p] else 0.0
        inside += valid[p]
    return inside


@njit(cache=True, nogil=True)
def _normal_equations(projected: F64, weights: F64, cell_starts: I32, normal: F64, score: F64) -> None:
    """Fill `normal` (C, 4, 4) and `score` (C, 4) with each cell's share of the normal equations."""
    normal[:] = 0.0
    score[:] = 0.0
    for c in range(cell_starts.shape[0] - 1):
        for p in range(cell_starts[c], cell_starts[c + 1]):
            w = weights[p]
            if w == 0.0:
                continue
            for i in range(4):
                score[c, i] += w * projected[p, i] * projected[p, 4]
                for j in range(i + 1):
                    normal[c, i, j] += w * projected[p, i] * projected[p, j]
        for i in range(4):
            for j in range(i):
                normal[c, j, i] = normal[c, i, j]


@njit(cache=True, nogil=True)
def _compose_inverse(params: F64, step: F64, centre: F64, radius: float) -> None:
    """Params ← params ∘ D⁻¹, D the small similarity `step` about `centre`."""
    da, db = 1.0 + step[0] / radius, step[1] / radius
    norm = da * da + db * db
    ia, ib = da / norm, -db / norm
    # D⁻¹(q) = I·(q − centre − shift) + centre
    ox, oy = centre[0] + step[2], centre[1] + step[3]
    sx = centre[0] - (ia * ox - ib * oy)
    sy = centre[1] - (ib * ox + ia * oy)
    a, b, tx, ty = params[0], params[1], params[2], params[3]
    params[0] = a * ia - b * ib
    params[1] = b * ia + a * ib
    params[2] = a * sx - b * sy + tx
    params[3] = b * sx + a * sy + ty


@njit(cache=True, nogil=True)
def _design(points: I32, gradients: F64, centre: F64, radius: float) -> F64:
    """Derivatives by the four parameters, and a column for the residuals, (N, 5)."""
    design = np.empty((points.shape[0], 5))
    for p in range(points.shape[0]):
        x, y = (points[p, 0] - centre[0]) / radius, (points[p, 1] - centre[1]) / radius
        gx, gy = gradients[p, 0], gradients[p, 1]
        design[p, 0], design[p, 1] = gx * x + gy * y, gy * x - gx * y
        design[p, 2], design[p, 3] = gx, gy
    return design


@njit(cache=True, nogil=True)
def _revive(valid: NDArray[np.bool_], weights: F64) -> None:
    """Give outliers a small voice again, and none to points outside the moving picture."""
    for p in range(weights.shape[0]):
        if not valid[p]:
            weights[p] = 0.0
        elif weights[p] == 0.0:
            weights[p] = 1e-3


@njit(cache=True, nogil=True)
def _solved(matrix: F64, right: F64) -> F64:
    """Solve a small symmetric, positive definite system (Cholesky); both are overwritten.

    Libraries for it keep threads that wait busily.
    """
    count = right.shape[0]
    for j in range(count):
        for i in range(j, count):
            for k in range(j):
                matrix[i, j] -= matrix[i, k] * matrix[j, k]
            matrix[i, j] = math.sqrt(max(matrix[j, j], 1e-300)) if i == j else matrix[i, j] / matrix[j, j]
    for i in range(count):
        for k in range(i):
            right[i] -= matrix[i, k] * right[k]
        right[i] /= matrix[i, i]
    for i in range(count - 1, -1, -1):
        for k in range(i + 1, count):
            right[i] -= matrix[k, i] * right[k]
        right[i] /= matrix[i, i]
    return right


@njit(cache=True, nogil=True)
def gauss_newton(
    moving: F32,
    points: I32,
    fixed: F64,
    gradients: F64,
    laplacian: F64,
    cell_starts: I32,
    params: F64,
    centre: F64,
    radius: float,
    iterations: int,
) -> tuple[F64, F64]:
    """Refine `params` = (a, b, shift_x, shift_y) of the map fixed px → moving px in place.

    moving: cubic B-spline coefficients of the moving picture, (H, W); points (N, 2) int32 (x, y) sorted by
    cell, cell c owning [cell_starts[c], cell_starts[c+1]); fixed, laplacian (N,), gradients (N, 2). Returns
    what each cell says of (radius·Δa, radius·Δb, shift_x, shift_y), px: its share (C, 4, 4) of the
    information matrix, and (C, 4) that of the score, which is the information times what the cell would still
    change. All 0 when nothing was found.
    """
    n, cells = points.shape[0], cell_starts.shape[0] - 1
    design = _design(points, gradients, centre, radius)
    nuisance = np.column_stack((fixed, laplacian))
    projected = np.empty((n, 5))
    weights = np.ones(n)
    valid = np.ones(n, dtype=np.bool_)
    sigma, step = 1.0, np.zeros(4)
    normal, score = np.zeros((cells, 4, 4)), np.zeros((cells, 4))
    for _ in range(iterations):
        if _residuals(moving, points, fixed, params, design, valid) < 32:
            return np.zeros((cells, 4, 4)), np.zeros((cells, 4))
        _revive(valid, weights)
        for _pass in range(2):
            for c in range(cells):
                _project_cell(design, nuisance, weights, cell_starts[c], cell_starts[c + 1], projected)
            sigma = _reweight(projected, valid, weights)
        _normal_equations(projected, weights, cell_starts, normal, score)
        a = normal.sum(axis=0)
        trace = a[0, 0] + a[1, 1] + a[2, 2] + a[3, 3]
        if trace <= 0.0:
            return np.zeros((cells, 4, 4)), np.zeros((cells, 4))
        for i in range(4):
            a[i, i] += 1e-9 * trace
        step = _solved(a, score.sum(axis=0))
        _compose_inverse(params, step, centre, radius)
        if np.max(np.abs(step)) < 1e-3:
            break
    for c in range(cells):
        score[c] -= normal[c] @ step
    return normal / (sigma * sigma), score / (sigma * sigma)


@njit(cache=True, nogil=True, fastmath=True)
def _row_maxima(energy: F32, top: int, left: int, right: int, out: F32) -> None:
    """The largest value of each of the rows from `top` on, in columns [left, right)."""
    for k in range(out.shape[0]):
        row = energy[top + k, left:right]
        most = np.float32(0.0)
        for x in range(row.shape[0]):
            most = max(most, row[x])
        out[k] = most


@njit(cache=True, nogil=True)
def _largest(
    energy: F32, top: int, bottom: int, left: int, right: int, best: F32, place: I32, rows: F32
) -> None:
    """The largest positive values of a cell, falling, and where they are, y · width + x; 0 for none.

    rows: room for as many values as there are rows.
    """
    best[:] = 0.0
    last = best.shape[0] - 1
    maxima = rows[: max(bottom - top, 0)]
    _row_maxima(energy, top, left, right, maxima)
    for y in range(top, bottom):
        # most rows hold none of the largest: one look at each is enough
        if maxima[y - top] <= best[last]:
            continue
        for x in range(left, right):
            value = energy[y, x]
            if value <= best[last]:
                continue
            k = last
            while k > 0 and best[k - 1] < value:
                best[k], place[k] = best[k - 1], place[k - 1]
                k -= 1
            best[k], place[k] = value, y * energy.shape[1] + x


@njit(cache=True, nogil=True)
def strongest(energy: F32, cell: int, count: int, border: int, group: int) -> tuple[I32, I32]:
    """The (x, y) of the `count` largest positive values of every whole cell, (N, 2), and where groups begin.

    Groups are of group x group cells; points of one group stand together; groups without any are left out.
    Values within `border` px of the picture's edge are left out. Of equal values the first is taken.
    """
    height, width = energy.shape
    rows, columns = height // cell, width // cell
    across = (columns + group - 1) // group
    groups = (rows + group - 1) // group * across
    out = np.empty((rows * columns * count, 2), np.int32)
    starts = np.empty(groups + 1, np.int32)
    best = np.empty(count, np.float32)
    place, maxima = np.empty(count, np.int32), np.empty(cell, np.float32)
    found = begun = 0
    for number in range(groups * group * group):
        whole, within = number // (group * group), number % (group * group)
        if within == 0 and (begun == 0 or starts[begun - 1] < found):
            starts[begun] = found
            begun += 1
        cy = whole // across * group + within // group
        cx = whole % across * group + within % group
        if cy < rows and cx < columns:
            top, bottom = max(cy * cell, border), min((cy + 1) * cell, height - border)
            left, right = max(cx * cell, border), min((cx + 1) * cell, width - border)
            _largest(energy, top, bottom, left, right, best, place, maxima)
            for k in range(count):
                if best[k] > 0.0:
                    out[found, 0], out[found, 1] = place[k] % width, place[k] // width
                    found += 1
    if begun > 0 and starts[begun - 1] == found:
        begun -= 1
    return out[:found].copy(), starts[:begun].copy()


@njit(cache=True, nogil=True)
def described(band: F32, points: I32) -> tuple[F64, F64, F64]:
    """Values (N,), gradients (N, 2) (Scharr's 3 x 3 weights) and Laplacians (N,) at points off the border.

    The Laplacian is twice the one on the diagonals (2 0 2, 0 -8 0, 2 0 2).
    """
    count = points.shape[0]
    values, laplacian, gradients = np.empty(count), np.empty(count), np.empty((count, 2))
    for k in range(count):
        x, y = points[k, 0], points[k, 1]
        a, b, c = np.float64(band[y - 1, x - 1]), np.float64(band[y - 1, x]), np.float64(band[y - 1, x + 1])
        d, e, f = np.float64(band[y, x - 1]), np.float64(band[y, x]), np.float64(band[y, x + 1])
        g, h, i = np.float64(band[y + 1, x - 1]), np.float64(band[y + 1, x]), np.float64(band[y + 1, x + 1])
        values[k] = e
        gradients[k, 0] = (3.0 * (c - a + i - g) + 10.0 * (f - d)) / 32.0
        gradients[k, 1] = (3.0 * (g - a + i - c) + 10.0 * (h - b)) / 32.0
        laplacian[k] = 2.0 * (a + c + g + i) - 8.0 * e
    return values, gradients, laplacian


@njit(cache=True, nogil=True)
def keep_sharper(
    energy: F32, picture: NDArray[np.uint16], full: float, number: float, best: F32, sharp: F32, index: F32
) -> None:
    """Where the energy is larger than the best so far, take it, the number, and the picture over `full`."""
    part = np.float32(1.0 / full)
    for y in range(best.shape[0]):
        for x in range(best.shape[1]):
            better = energy[y, x] > best[y, x]
            best[y, x] = energy[y, x] if better else best[y, x]
            sharp[y, x] = part * np.float32(picture[y, x]) if better else sharp[y, x]
            index[y, x] = np.float32(number) if better else index[y, x]
