// Drawing without WebGL2: the same as in composite.js, on two-dimensional canvases and by the processor.

import { Composite } from "./composite.js";

const STEPS = 16384;
const GREY = "#6b6b6b";

// sRGB: IEC 61966-2-1:1999
const LIGHT = Float32Array.from({ length: 256 }, (_, k) => (k / 255 <= 0.04045 ? k / 255 / 12.92 : ((k / 255 + 0.055) / 1.055) ** 2.4));
const CODE = Uint8ClampedArray.from({ length: STEPS }, (_, k) => {
  const light = k / (STEPS - 1);
  return 255 * (light <= 0.0031308 ? light * 12.92 : 1.055 * light ** (1 / 2.4) - 0.055);
});
/** @param {number} light */
const code = (light) => CODE[light <= 0 ? 0 : light >= 1 ? STEPS - 1 : (light * (STEPS - 1) + 0.5) | 0];

/** What draws on a canvas: the graphics card, or the processor where the browser shows no WebGL2. @param {HTMLCanvasElement} canvas */
export function drawingOn(canvas) {
  const gl = canvas.getContext("webgl2", { alpha: false, antialias: false, preserveDrawingBuffer: true });
  return gl ? new Composite(gl) : new Plain(canvas);
}

class Plain {
  /** @param {HTMLCanvasElement} canvas */
  constructor(canvas) {
    this.canvas = canvas;
    this.context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d", { alpha: false, willReadFrequently: true }));
    this.eyes = [0, 1].map(() => /** @type {CanvasRenderingContext2D} */ (document.createElement("canvas").getContext("2d", { willReadFrequently: true })));
    this.isPlain = true;
  }

  /** @param {ImageBitmap} bitmap */
  texture(bitmap) { return bitmap; }

  /** @param {ImageBitmap} bitmap */
  forget(bitmap) { bitmap.close(); }

  /** Draw one eye. @param {0 | 1} eye @param {{texture: ImageBitmap, place: number[]}[]} tiles
   *  @param {boolean} exact one sample for one pixel @param {[number, number]} size */
  eye(eye, tiles, exact, [width, height]) {
    const into = this.eyes[eye];
    Object.assign(into.canvas, { width, height });  // and clears it
    into.imageSmoothingEnabled = !exact;
    for (const { texture, place: [rx, ry, , dx, dy, , ox, oy] } of tiles) {
      const across = width / 2 / texture.width, down = width / 2 / texture.height;
      const right = -height / 2 / texture.width, below = -height / 2 / texture.height;
      into.setTransform(rx * across, ry * right, dx * down, dy * below, ((ox + 1) * width) / 2, ((1 - oy) * height) / 2);
      into.drawImage(texture, 0, 0);
    }
  }

  clear() {
    this.context.fillStyle = GREY;
    this.context.fillRect(0, 0, this.canvas.width, this.canvas.height);
  }

  /** Put both eyes on the canvas. @param {{mixture: number[][] | null, share: number, crop: number[],
   *  masks: [number, number], around: number, box: number[]}} how  as in composite.js */
  mix({ mixture, share, crop, masks, around, box: [start, , width, height] }) {
    const [left, right] = this.eyes.map((eye) => eye.getImageData(0, 0, width, height).data);
    const picture = this.context.getImageData(start, 0, width, height), out = picture.data;
    const column = (x) => ((x + 1) * width) / 2 - 0.5, row = (y) => ((1 - y) * height) / 2 - 0.5;
    const [x0, x1, y0, y1] = [column(crop[0]), column(crop[2]), row(crop[3]), row(crop[1])];
    const masked = [x0 + (masks[0] * width) / 2, x1 - (masks[1] * width) / 2];
    const one = [0, 0, 0], other = [0, 0, 0];
    for (let y = 0, at = 0; y < height; y++) {
      for (let x = 0; x < width; x++, at += 4) {
        if (!left[at + 3] && !right[at + 3]) continue;
        const inside = x >= x0 && x < x1 && y > y0 && y <= y1;
        if (!inside && around < 0) continue;
        const darkLeft = inside && x < masked[0], darkRight = inside && x >= masked[1];
        for (let k = 0; k < 3; k++) {
          one[k] = darkLeft ? 0 : left[at + k];
          other[k] = darkRight ? 0 : right[at + k];
        }
        for (let k = 0; k < 3; k++) {
          const found = mixture ? code(mixedLight(mixture[k], one, other))
            : share <= 0 ? one[k] : share >= 1 ? other[k] : code((1 - share) * LIGHT[one[k]] + share * LIGHT[other[k]]);
          out[at + k] = inside ? found : found * around;
        }
      }
    }
    this.context.putImageData(picture, start, 0);
  }
}

/** One channel of a mixture in linear light. @param {number[]} row @param {number[]} left @param {number[]} right */
function mixedLight(row, left, right) {
  return row[0] * LIGHT[left[0]] + row[1] * LIGHT[left[1]] + row[2] * LIGHT[left[2]]
    + row[3] * LIGHT[right[0]] + row[4] * LIGHT[right[1]] + row[5] * LIGHT[right[2]];
}
