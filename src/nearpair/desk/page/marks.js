// What is drawn over the live picture: sides that cut things in front of the window, and depth along a row.

const BAND_OF_WIDTH = 0.006, OF_WIDTH = 0.001;  // as in the proof (pixels.sides)

/** Rows of the crop, as shares of its height, where a side cuts something in front of the window.
 *  @param {any} pair @param {Float32Array} map @param {number} shift @param {number[]} [inside] another crop: x, y, width, height in
 *  px of this one @returns {{left: number[], right: number[], rows: number, share: {left: number, right: number}}} */
export function cuts(pair, map, shift, inside = [0, 0, ...pair.mounting.crop_px.slice(2)]) {
  const [all, columns] = pair.map.size_px, cell = pair.map.factor, [first, top, width, height] = inside;
  const start = Math.floor(top / cell), rows = Math.max(1, Math.ceil(height / cell));
  const band = Math.max(3, BAND_OF_WIDTH * width), limit = Math.max(1, OF_WIDTH * width);
  const found = { left: [], right: [], rows, share: { left: 0, right: 0 } };
  for (let row = Math.max(0, -start); row < Math.min(rows, all - start); row++) {
    const strips = { left: [], right: [] };
    for (let column = 0; column < columns; column++) {
      const parallax = map[(start + row) * columns + column] + shift, x = column * cell - first;
      if (!Number.isFinite(parallax) || x < -cell || x >= width) continue;
      // the left side of the common field is where things meet the edge of the right picture
      if (x + parallax > -cell && x + parallax < band + cell) strips.left.push(parallax);
      if (x >= width - band - cell) strips.right.push(parallax);
    }
    for (const side of /** @type {("left" | "right")[]} */ (["left", "right"])) {
      const values = strips[side].sort((a, b) => a - b);
      if (values.length && values[values.length >> 1] < -limit) found[side].push(row / rows);
    }
  }
  found.share = { left: found.left.length / rows, right: found.right.length / rows };
  return found;
}

/** Draw the marks. @param {CanvasRenderingContext2D} at @param {{x0: number, y0: number, x1: number, y1: number}} box crop on the canvas, px
 *  @param {ReturnType<typeof cuts>} cut @param {number} rows */
export function drawCuts(at, box, cut, rows) {
  at.clearRect(0, 0, at.canvas.width, at.canvas.height);
  const thick = Math.max(6, at.canvas.width / 150), high = (box.y1 - box.y0) / rows;
  for (const [side, x] of /** @type {["left" | "right", number][]} */ ([["left", box.x0], ["right", box.x1 - thick]])) {
    if (cut.share[side] < 0.01) continue;
    for (const [colour, wider] of /** @type {[string, number][]} */ ([["#000", 2], ["#fff", 0]])) {
      at.fillStyle = colour;
      for (const row of cut[side]) at.fillRect(x - wider, box.y0 + row * (box.y1 - box.y0) - wider, thick + 2 * wider, high + 1 + 2 * wider);
    }
  }
}

/** Depth along one row of the picture, with what is comfortable. @param {HTMLCanvasElement} canvas
 *  @param {any} pair @param {Float32Array} map @param {number} row 0 to 1 @param {number} shift @param {number} column 0 to 1 */
export function drawProfile(canvas, pair, map, row, shift, column) {
  const scale = window.devicePixelRatio || 1, wide = Math.round(canvas.clientWidth * scale), high = Math.round(canvas.clientHeight * scale);
  if (wide && (canvas.width !== wide || canvas.height !== high)) { canvas.width = wide; canvas.height = high; }
  const at = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d")), { width, height } = canvas, [rows, columns] = pair.map.size_px;
  const near = Math.min(pair.limits.near_px, (pair.near_px ?? 0) + shift) * 1.1;
  const far = Math.max(pair.limits.far_px, (pair.far_px ?? 0) + shift) * 1.1;
  const y = (parallax) => ((far - parallax) / (far - near)) * height;  // near below, as on the table before you
  at.fillStyle = "#3a3a3a"; at.fillRect(0, 0, width, height);
  at.fillStyle = "#565656"; at.fillRect(0, y(pair.limits.far_px), width, y(pair.limits.near_px) - y(pair.limits.far_px));
  at.strokeStyle = "#f4f4f4"; at.lineWidth = 1; at.beginPath(); at.moveTo(0, y(0)); at.lineTo(width, y(0)); at.stroke();
  const from = Math.min(rows - 1, Math.max(0, Math.floor(row * rows))) * columns;
  at.fillStyle = "#fff";
  for (let k = 0; k < columns; k++) {
    const parallax = map[from + k] + shift;
    if (Number.isFinite(parallax)) at.fillRect((k / columns) * width, y(parallax) - 2, Math.max(2, width / columns), 4);
  }
  at.strokeStyle = "#bdbdbd"; at.beginPath(); at.moveTo(column * width, 0); at.lineTo(column * width, height); at.stroke();
}
