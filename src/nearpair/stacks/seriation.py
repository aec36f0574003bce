"""Order from the pictures alone: neighbours in a stack differ least, each step moves the focus a little.

Frames are cut into places along the minimum spanning tree of the picture differences (R. C. Prim, "Shortest
connection networks and some generalizations", Bell System Technical Journal 36, 1957), and put in line by a
short path through all of them (tree path, then 2-opt: G. A. Croes, "A method for solving traveling-salesman
problems", Operations Research 6, 1958). How well the line holds is counted by the seriation condition of
W. S. Robinson ("A method for chronologically ordering archaeological deposits", American Antiquity 16, 1951):
of three frames in line, the outer two differ most. (Literature from memory.)
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearpair.stacks.jumps import Look

ROUNDS = 30  # of 2-opt; a stack settles in a few
COUNTED = 120  # frames used for the agreement, evenly picked

Tree = list[tuple[int, int]]


def differences(looks: Sequence[Look]) -> NDArray[np.float64]:
    """Return 1 - correlation of each two looks of one shape, unshifted: (n, n), zeros on the diagonal."""
    rows = np.stack([look.band.ravel() for look in looks])
    rows = rows / (np.linalg.norm(rows, axis=1, keepdims=True) + 1e-9)
    table = np.maximum(1 - (rows @ rows.T).astype(np.float64), 0)
    np.fill_diagonal(table, 0)
    # rounded, so that the order of sums inside the product never decides an order
    return np.asarray(np.round((table + table.T) / 2, 6), dtype=np.float64)


def spanning_tree(table: NDArray[np.float64]) -> Tree:
    """Return the n - 1 edges of the minimum spanning tree, in the order of its growth from frame 0."""
    count = len(table)
    reached = np.arange(count) == 0
    nearest, parent = table[0].copy(), np.zeros(count, dtype=np.int64)
    edges: Tree = []
    for _ in range(count - 1):
        new = int(np.where(reached, np.inf, nearest).argmin())
        edges.append((int(parent[new]), new))
        reached[new] = True
        closer = table[new] < nearest
        nearest, parent = np.where(closer, table[new], nearest), np.where(closer, new, parent)
    return edges


def path_length(table: NDArray[np.float64], order: Sequence[int]) -> float:
    """Return the sum of the differences along an order."""
    line = np.asarray(order)
    return float(table[line[:-1], line[1:]].sum())


def detour(table: NDArray[np.float64], order: Sequence[int]) -> float:
    """Return how much longer an order is than the tree, its lower bound: about 1 for a true order."""
    tree = sum(float(table[i, j]) for i, j in spanning_tree(table))
    return path_length(table, order) / max(tree, 1e-9)


def components(count: int, edges: Tree) -> list[list[int]]:
    """Return the connected groups of 0..count-1, each ascending, by their first member."""
    label = list(range(count))
    for i, j in edges:
        old, new = max(label[i], label[j]), min(label[i], label[j])
        label = [new if entry == old else entry for entry in label]
    return [[i for i in range(count) if label[i] == name] for name in sorted(set(label))]


def line_up(table: NDArray[np.float64]) -> list[int]:
    """Return a short path through all frames; which end comes first is arbitrary but fixed."""
    if len(table) < 3:
        return list(range(len(table)))
    line = _longest_tree_path(len(table), spanning_tree(table), table)
    for frame in sorted(set(range(len(table))) - set(line)):
        line = _inserted(table, line, frame)
    return _untangled(table, line)


def agreement(table: NDArray[np.float64], order: Sequence[int]) -> float:
    """Return the part of all triples in line of which the outer two differ most: 1 for a perfect line."""
    picked = np.unique(np.linspace(0, len(order) - 1, min(len(order), COUNTED)).astype(int))
    line = table[np.ix_(np.asarray(order)[picked], np.asarray(order)[picked])]
    held = total = 0
    for middle in range(1, len(line) - 1):
        outer = line[:middle, middle + 1 :]
        inner = np.maximum(line[:middle, middle][:, None], line[middle, middle + 1 :][None, :])
        held += int((outer >= inner).sum())
        total += outer.size
    return held / total if total else 1.0


def _longest_tree_path(count: int, edges: Tree, table: NDArray[np.float64]) -> list[int]:
    start = _farthest(count, edges, table, 0)[-1]
    return _farthest(count, edges, table, start)


def _farthest(count: int, edges: Tree, table: NDArray[np.float64], start: int) -> list[int]:
    """Return the tree path from `start` to the frame farthest from it."""
    beside: list[list[int]] = [[] for _ in range(count)]
    for i, j in edges:
        beside[i].append(j)
        beside[j].append(i)
    came: dict[int, int] = {start: start}
    far = {start: 0.0}
    queue = [start]
    for frame in queue:
        for other in beside[frame]:
            if other not in came:
                came[other], far[other] = frame, far[frame] + float(table[frame, other])
                queue.append(other)
    end = max(sorted(far), key=far.__getitem__)
    path = [end]
    while path[-1] != start:
        path.append(came[path[-1]])
    return path[::-1]


def _inserted(table: NDArray[np.float64], line: list[int], frame: int) -> list[int]:
    """Return the line with `frame` where it lengthens it least, ends included."""
    here = np.asarray(line)
    to_frame = table[here, frame]
    between = to_frame[:-1] + to_frame[1:] - table[here[:-1], here[1:]]
    costs = np.concatenate([to_frame[:1], between, to_frame[-1:]])
    place = int(costs.argmin())
    return [*line[:place], frame, *line[place:]]


def _untangled(table: NDArray[np.float64], line: list[int]) -> list[int]:
    """Return the line after turning round any stretch that shortens it (2-opt, open ends)."""
    for _ in range(ROUNDS):
        changed = False
        for start in range(len(line) - 1):
            end = _best_turn(table, line, start)
            if end is not None:
                line[start : end + 1] = line[start : end + 1][::-1]
                changed = True
        if not changed:
            break
    return line


def _best_turn(table: NDArray[np.float64], line: list[int], start: int) -> int | None:
    here = np.asarray(line)
    ends = np.arange(start + 1, len(line))
    gain = np.zeros(len(ends))
    if start > 0:
        gain += table[here[start - 1], here[start]] - table[here[start - 1], here[ends]]
    inside = ends[ends < len(line) - 1]
    gain[: len(inside)] += table[here[inside], here[inside + 1]] - table[here[start], here[inside + 1]]
    best = int(gain.argmax())
    return int(ends[best]) if gain[best] > 1e-9 else None
