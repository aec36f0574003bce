// Where the views lie in the shown pictures: each view freed of its lens's distortion, then moved by a plane transform.
// Places of pictures are px of the left view as it lies, counted from edges; places of views are px counted from
// centres, as shoot.toml has them. The same as `geometry.distortion` and `geometry.projective` reckon.

import { apply, inverse } from "./matrix.js";

/** r'/r at distances r of the straight picture. @type {Record<string, (terms: number[], r: number) => number>} */
const RATIOS = {
  poly3: ([k], r) => 1 - k + k * r ** 2,
  poly5: ([k1, k2], r) => 1 + k1 * r ** 2 + k2 * r ** 4,
  ptlens: ([a, b, c], r) => a * r ** 3 + b * r ** 2 + c * r + 1 - a - b - c,
};
const ROUNDS = 30, SETTLED = 1e-10;

export class Lie {
  /** @param {any} pair what the desk tells of the mounted pair */
  constructor(pair) {
    const [height, width] = pair.view_px, { lens } = pair.mounting;
    this.size = [width, height];
    this.middle = [(width - 1) / 2, (height - 1) / 2];
    this.onto = pair.matrices;
    this.back = pair.matrices.map(inverse);
    this.lens = lens?.taken_out && lens.model && lens.unit_px ? lens : null;
  }

  /** Place of a picture that shows a place of an eye's view. @param {number} eye @param {number[]} place @returns {number[]} */
  toPicture(eye, place) {
    const [x, y] = apply(this.onto[eye], this.#along(place, (ratio, far) => {
      let r = far;
      for (let k = 0; k < ROUNDS; k++) {
        const before = r;
        r = far / ratio(r);
        if (Math.abs(r - before) < SETTLED) break;
      }
      return 1 / ratio(r);
    }));
    return [x + 0.5, y + 0.5];
  }

  /** Place of an eye's view that is shown at a place of its picture. @param {number} eye @param {number[]} place @returns {number[]} */
  toView(eye, [x, y]) {
    return this.#along(apply(this.back[eye], [x - 0.5, y - 0.5]), (ratio, r) => ratio(r));
  }

  /** A place of an eye's view that there is. @param {number[]} place @returns {number[]} */
  within(place) { return place.map((v, k) => Math.min(this.size[k] - 1, Math.max(0, v))); }

  /** A place moved along its radius. @param {number[]} place @param {(ratio: (r: number) => number, r: number) => number} times */
  #along([x, y], times) {
    if (!this.lens) return [x, y];
    const { model, terms, unit_px } = this.lens, [mx, my] = this.middle, ratio = (r) => RATIOS[model](terms, r);
    const by = times(ratio, Math.hypot(x - mx, y - my) / unit_px);
    return [mx + by * (x - mx), my + by * (y - my)];
  }
}
