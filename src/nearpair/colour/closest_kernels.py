"""Compiled inner loops: the colour that comes closest through the glasses, and light that leaks taken back.

`closest` solves, for every point, the bounded non-linear least-squares problem

    minimise  (f(S·p) - f(U·c))ᵀ · W · (f(S·p) - f(U·c))      over 0 <= p <= top,

with c the six linear values of both views, p the colour shown, S and U the signals that are compared (each
at most 1 for white) and f the lightness function of CIE 1976 L*a*b*. Gauss-Newton steps with a little
damping (Levenberg-Marquardt); a channel that sits on a bound and wants beyond it rests for that step.
The answer depends on the point alone, not on its neighbours.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Single = NDArray[np.float32]
Table = NDArray[np.float32]
Values = NDArray[np.float64]

_KNEE = (6.0 / 29.0) ** 3
_SLOPE = (29.0 / 6.0) ** 2 / 3.0
_CELLS = 1 << 14
_DIMMED = 3.0  # light that an eye lacks counts so much more than light that it gets besides
_LEAST_DAMPING = 1e-4
_UNSEEN, _BLACK = 0.01, 0.01  # a share of an eye's brightness, beside this much light, that nobody sees


def _lightness_table() -> Table:
    share = np.arange(_CELLS + 2) / _CELLS
    return np.where(share > _KNEE, np.cbrt(share), share * _SLOPE + 4.0 / 29.0).astype(np.float32)


LIGHTNESS = _lightness_table()
"""f of CIE 1976 L*a*b* at k / 16384, for interpolation: error below 1e-5 (CIE 15)."""


@njit(nogil=True, cache=True, error_model="numpy")
def lightness(share: float, table: Table) -> float:
    """Return f at a share of white; 0 below black, linear beyond white for a little."""
    place = min(max(share, 0.0), 1.0) * _CELLS
    cell = int(place)
    part = place - cell
    between: float = table[cell] * (1.0 - part) + table[cell + 1] * part
    return between


@njit(nogil=True, cache=True, error_model="numpy")
def closest(
    both: Single,
    start: Single,
    signals: Values,
    wanted: Values,
    weights: Values,
    top: Values,
    table: Table,
    steps: int,
    out: Single,
) -> None:
    """Fill `out` (n, 3) from `both` (n, 6), beginning at `start` (n, 3); all in linear light."""
    count = signals.shape[0]
    aim = np.empty(count)
    value = np.empty(count)
    slope = np.empty((count, 3))
    p = np.empty(3)
    grad = np.empty(3)
    hess = np.empty((3, 3))
    for n in range(both.shape[0]):
        for i in range(count):
            share = 0.0
            for j in range(6):
                share += wanted[i, j] * both[n, j]
            aim[i] = lightness(share, table)
        for j in range(3):
            p[j] = min(max(start[n, j], 0.0), top[j])
        damping = 1e-3
        for _step in range(steps):
            _linearised(p, signals, table, value, slope)
            for i in range(count):
                value[i] -= aim[i]
            _normal(slope, weights, value, grad, hess)
            if _move(p, grad, hess, top, damping) < 1.0:
                break
            damping *= 1.6
        for j in range(3):
            out[n, j] = p[j]


@njit(nogil=True, cache=True, error_model="numpy")
def _linearised(p: Values, signals: Values, table: Table, value: Values, slope: Values) -> None:
    for i in range(signals.shape[0]):
        share = signals[i, 0] * p[0] + signals[i, 1] * p[1] + signals[i, 2] * p[2]
        f = lightness(share, table)
        value[i] = f
        rate = 1.0 / (3.0 * f * f) if share > _KNEE else _SLOPE
        for j in range(3):
            slope[i, j] = rate * signals[i, j]


@njit(nogil=True, cache=True, error_model="numpy")
def _normal(slope: Values, weights: Values, error: Values, grad: Values, hess: Values) -> None:
    """Gradient and Gauss-Newton matrix of the weighted squares."""
    count = slope.shape[0]
    for a in range(3):
        grad[a] = 0.0
        for b in range(3):
            hess[a, b] = 0.0
    for i in range(count):
        pull = 0.0
        x = 0.0
        y = 0.0
        z = 0.0
        for k in range(count):
            w = weights[i, k]
            pull += w * error[k]
            x += w * slope[k, 0]
            y += w * slope[k, 1]
            z += w * slope[k, 2]
        for a in range(3):
            s = slope[i, a]
            grad[a] += s * pull
            hess[a, 0] += s * x
            hess[a, 1] += s * y
            hess[a, 2] += s * z


@njit(nogil=True, cache=True, error_model="numpy")
def _move(p: Values, grad: Values, hess: Values, top: Values, damping: float) -> float:
    for j in range(3):
        if (p[j] <= 0.0 and grad[j] > 0.0) or (p[j] >= top[j] and grad[j] < 0.0):
            grad[j] = 0.0
            for k in range(3):
                hess[j, k] = 0.0
                hess[k, j] = 0.0
            hess[j, j] = 1.0
    damping *= (hess[0, 0] + hess[1, 1] + hess[2, 2]) / 3.0  # a share of the mean curvature
    a = hess[0, 0] + damping
    b = hess[0, 1]
    c = hess[0, 2]
    d = hess[1, 1] + damping
    e = hess[1, 2]
    f = hess[2, 2] + damping
    m00 = d * f - e * e
    m01 = c * e - b * f
    m02 = b * e - c * d
    m11 = a * f - c * c
    m12 = b * c - a * e
    m22 = a * d - b * b
    det = a * m00 + b * m01 + c * m02
    move0 = (m00 * grad[0] + m01 * grad[1] + m02 * grad[2]) / det
    move1 = (m01 * grad[0] + m11 * grad[1] + m12 * grad[2]) / det
    move2 = (m02 * grad[0] + m12 * grad[1] + m22 * grad[2]) / det
    far: float = max(_moved(p, 0, move0, top), _moved(p, 1, move1, top), _moved(p, 2, move2, top))
    return far


@njit(nogil=True, cache=True, error_model="numpy")
def _moved(p: Values, j: int, move: float, top: Values) -> float:
    """Move a channel within its bounds; return how far, against a thousandth of its light."""
    before = p[j]
    p[j] = min(max(before - move, 0.0), top[j])
    far: float = abs(p[j] - before) / (1e-5 + 1e-3 * before)
    return far


@njit(nogil=True, cache=True, error_model="numpy")
def looked_up(table: Table, red: float, green: float, blue: float, out: Values) -> None:
    """Interpolate `table` (m, m, m, 3), which is evenly spaced over roots of light, at one colour."""
    last = table.shape[0] - 1
    r = min(max(red, 0.0), 1.0) * last
    g = min(max(green, 0.0), 1.0) * last
    b = min(max(blue, 0.0), 1.0) * last
    i = min(int(r), last - 1)
    j = min(int(g), last - 1)
    k = min(int(b), last - 1)
    r -= i
    g -= j
    b -= k
    for channel in range(3):
        near = (1.0 - g) * ((1.0 - b) * table[i, j, k, channel] + b * table[i, j, k + 1, channel]) + g * (
            (1.0 - b) * table[i, j + 1, k, channel] + b * table[i, j + 1, k + 1, channel]
        )
        i1 = i + 1
        far = (1.0 - g) * ((1.0 - b) * table[i1, j, k, channel] + b * table[i1, j, k + 1, channel]) + g * (
            (1.0 - b) * table[i1, j + 1, k, channel] + b * table[i1, j + 1, k + 1, channel]
        )
        root = (1.0 - r) * near + r * far
        out[channel] = root * root


@njit(nogil=True, cache=True, error_model="numpy")
def unghosted(
    left: Single,
    right: Single,
    table: Table,
    light: Values,
    owner: NDArray[np.int64],
    ghost_weight: float,
    roots: Table,
    out: Single,
) -> None:
    """Fill `out` (n, 3) with the colours of `table` for both views; take leaks back as far as it pays.

    `light` (2, 4, 3): for each eye the shares of the fused X, Y, Z that each channel gives through its
    filter, then the shares of its brightness. `owner` (3,) is 0 for the left eye's channels, 1 for the right
    eye's, 2 for none. What is minimised: see `outputs.closest`. `roots`: LIGHTNESS.
    """
    wanted = np.empty((2, 3))
    meant = np.empty((2, 4))
    top = np.where(owner == 2, 0.0, 1.0)
    p = np.empty(3)
    grad = np.empty(3)
    hess = np.empty((3, 3))
    rows = np.empty((4, 3))
    for n in range(left.shape[0]):
        looked_up(table, np.sqrt(left[n, 0]), np.sqrt(left[n, 1]), np.sqrt(left[n, 2]), wanted[0])
        looked_up(table, np.sqrt(right[n, 0]), np.sqrt(right[n, 1]), np.sqrt(right[n, 2]), wanted[1])
        for j in range(3):
            p[j] = wanted[owner[j], j] if owner[j] < 2 else 0.0
        if _meant(p, wanted, light, meant) > _UNSEEN:
            for a in range(3):
                grad[a] = 0.0
                for b in range(3):
                    hess[a, b] = 0.0
            for eye in range(2):
                _astray(eye, p, wanted, light, meant, ghost_weight, roots, rows)
                _squares(eye, rows, p, wanted, grad, hess)
            _move(p, grad, hess, top, _LEAST_DAMPING)
        for j in range(3):
            out[n, j] = p[j]


@njit(nogil=True, cache=True, error_model="numpy")
def _meant(p: Values, wanted: Values, light: Values, meant: Values) -> float:
    """Fill `meant` (2, 4): fused X, Y, Z of each eye's colour, and how bright that eye should see it.

    Return how far from the last p is, as a share of it, for the eye where that is more.
    """
    worst = 0.0
    for eye in range(2):
        for i in range(4):
            share = 0.0
            for j in range(3):
                each = light[0, i, j] + light[1, i, j] if i < 3 else light[eye, i, j]
                share += each * wanted[eye, j]
            meant[eye, i] = share
        off = 0.0
        for j in range(3):
            off += light[eye, 3, j] * (p[j] - wanted[eye, j])
        worst = max(worst, abs(off) / (meant[eye, 3] + _BLACK))
    far: float = worst
    return far


@njit(nogil=True, cache=True, error_model="numpy")
def _astray(
    eye: int,
    p: Values,
    wanted: Values,
    light: Values,
    meant: Values,
    ghost_weight: float,
    roots: Table,
    rows: Values,
) -> None:
    """Fill `rows` (4, 3): times (p - wanted) they are L*, a*, b* and weighted L* that one eye's light is off.

    Secants, not tangents: of what is dark a tangent would tell far too much.
    """
    x = _rate(eye, 0, p, wanted, light, meant, roots)
    y = _rate(eye, 1, p, wanted, light, meant, roots)
    z = _rate(eye, 2, p, wanted, light, meant, roots)
    own = 116.0 * np.sqrt(ghost_weight) * _rate(eye, 3, p, wanted, light, meant, roots)
    for j in range(3):
        rows[0, j] = 116.0 * y * light[eye, 1, j]
        rows[1, j] = 500.0 * (x * light[eye, 0, j] - y * light[eye, 1, j])
        rows[2, j] = 200.0 * (y * light[eye, 1, j] - z * light[eye, 2, j])
        rows[3, j] = own * light[eye, 3, j]


@njit(nogil=True, cache=True, error_model="numpy")
def _rate(eye: int, i: int, p: Values, wanted: Values, light: Values, meant: Values, roots: Table) -> float:
    """By how much f of signal i changes for each unit of light astray."""
    more = 0.0
    for j in range(3):
        more += light[eye, i, j] * (p[j] - wanted[eye, j])
    aim = meant[eye, i]
    f = lightness(aim, roots)
    if abs(more) > 1e-4:
        rate = (lightness(aim + more, roots) - f) / more
    else:
        rate = 1.0 / (3.0 * f * f) if aim > _KNEE else _SLOPE
    if i == 3 and more < 0.0:
        rate *= _DIMMED
    each: float = rate
    return each


@njit(nogil=True, cache=True, error_model="numpy")
def _squares(eye: int, rows: Values, p: Values, wanted: Values, grad: Values, hess: Values) -> None:
    """Add the squares of `rows` times (p - wanted) to gradient and matrix."""
    for i in range(4):
        r = rows[i, 0]
        g = rows[i, 1]
        b = rows[i, 2]
        off = r * (p[0] - wanted[eye, 0]) + g * (p[1] - wanted[eye, 1]) + b * (p[2] - wanted[eye, 2])
        grad[0] += r * off
        grad[1] += g * off
        grad[2] += b * off
        hess[0, 0] += r * r
        hess[0, 1] += r * g
        hess[0, 2] += r * b
        hess[1, 1] += g * g
        hess[1, 2] += g * b
        hess[2, 2] += b * b
    hess[1, 0] = hess[0, 1]
    hess[2, 0] = hess[0, 2]
    hess[2, 1] = hess[1, 2]
