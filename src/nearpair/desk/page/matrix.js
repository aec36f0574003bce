// Plane projective transforms as 3 x 3 matrices, row by row.

/** @param {number[][]} m @param {number[]} place @returns {number[]} */
export function apply(m, [x, y]) {
  const [u, v, w] = m.map((row) => row[0] * x + row[1] * y + row[2]);
  return [u / w, v / w];
}

/** The transform that undoes this one: by cofactors, but for a factor that does not matter. @param {number[][]} m */
export function inverse(m) {
  const at = (r, c) => m[(r + 1) % 3][(c + 1) % 3] * m[(r + 2) % 3][(c + 2) % 3] - m[(r + 1) % 3][(c + 2) % 3] * m[(r + 2) % 3][(c + 1) % 3];
  return [0, 1, 2].map((r) => [0, 1, 2].map((c) => at(c, r)));
}
