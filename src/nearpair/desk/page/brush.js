// A brush: strokes of places, px of the view of one eye, counted from centres; nothing is decided here.

const MOST_POINTS = 200;  // as shoot.toml takes them
const TRUE_PX = 0.02;  // px of the canvas that a drawn outline may be off
const PIECE_PX = 48, MOST_PIECES = 64;

export class Brush {
  constructor() {
    this.on = false;
    /** @type {number[][][]} */ this.strokes = [];
  }

  clear() { this.strokes = []; }
  /** @param {number[]} place */
  begin(place) { this.strokes.push([rounded(place)]); }

  /** On to a place; what lies nearer than that to the one before takes its end with it. @param {number[]} place @param {number} [least] px */
  go(place, least = 0) {
    const stroke = this.strokes.at(-1);
    if (!stroke) return;
    const before = stroke.at(-2);
    if (before && Math.hypot(place[0] - before[0], place[1] - before[1]) < least) stroke.pop();
    stroke.push(rounded(place));
  }

  /** The last stroke is done: as it is now it is decided. @param {number} within px */
  settle(within) {
    const last = this.strokes.pop();
    if (last) this.strokes.push(simplified(last, within));
  }

  /** Brush on to a place: by keyboard, all is one stroke. @param {number[]} place */
  step(place) { if (this.strokes.length) this.go(place); else this.begin(place); }
  back() {
    this.strokes.at(-1)?.pop();
    if (!this.strokes.at(-1)?.length) this.strokes.pop();
  }
}

/** As shoot.toml has it. @param {number[]} place */
const rounded = (place) => place.map((v) => Math.round(v * 10) / 10);

/** What lies within a radius of lines through points of a view, as it shows on the canvas, to a small part of its px.
 *  @param {number[][][]} strokes @param {number} radius px of the view
 *  @param {(place: number[]) => number[]} on where a place of the view is on the canvas @param {number} scale about what `on` enlarges */
export function outline(strokes, radius, on, scale) {
  const path = new Path2D();
  const turns = Math.ceil(Math.PI / Math.sqrt((8 * TRUE_PX) / Math.max(1, radius * scale)));
  const arc = ([x, y], from) => Array.from({ length: turns + 1 }, (_, k) => from + (Math.PI * k) / turns)
    .map((angle) => [x + radius * Math.cos(angle), y + radius * Math.sin(angle)]);
  const side = ([ax, ay], [bx, by]) => {  // straight on the view, perhaps not on the picture
    const pieces = Math.min(MOST_PIECES, Math.ceil(Math.hypot(bx - ax, by - ay) / PIECE_PX));
    return Array.from({ length: Math.max(0, pieces - 1) }, (_, k) => (k + 1) / pieces).map((t) => [ax + t * (bx - ax), ay + t * (by - ay)]);
  };
  for (const points of strokes) {
    (points.length > 1 ? points.slice(1) : points).forEach((b, k) => {
      const a = points[k], across = Math.atan2(b[1] - a[1], b[0] - a[0]) - Math.PI / 2;
      const far = arc(b, across), near = arc(a, across + Math.PI);
      const round = [...far, ...side(far[turns], near[0]), ...near, ...side(near[turns], far[0])];
      round.forEach((place, n) => { const [x, y] = on(place); if (n) path.lineTo(x, y); else path.moveTo(x, y); });
      path.closePath();
    });
  }
  return path;
}

/** Draw around an area, white on black, and leave what is inside as it is, or lighten it a little.
 *  @param {CanvasRenderingContext2D} to @param {Path2D} path @param {boolean} light */
export function drawArea(to, path, light) {
  to.lineJoin = "round";
  for (const [colour, wide] of /** @type {[string, number][]} */ ([["#000", 6], ["#fff", 3]])) { to.strokeStyle = colour; to.lineWidth = wide; to.stroke(path); }
  to.globalCompositeOperation = "destination-out"; to.fillStyle = "#000"; to.fill(path);
  to.globalCompositeOperation = "source-over";
  if (light) { to.fillStyle = "rgb(255 255 255 / 25%)"; to.fill(path); }
}

/** Draw the brush around a place. @param {CanvasRenderingContext2D} to @param {Path2D} path @param {number[]} at px of the canvas */
export function drawPlace(to, path, [x, y]) {
  for (const [colour, wide] of /** @type {[string, number][]} */ ([["#000", 5], ["#fff", 2]])) {
    to.strokeStyle = colour; to.lineWidth = wide;
    to.stroke(path);
    to.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { to.moveTo(x + 4 * dx, y + 4 * dy); to.lineTo(x + 14 * dx, y + 14 * dy); }
    to.stroke();
  }
}

/** Fewer points that keep within so many px of the line (Douglas & Peucker, The Canadian Cartographer 10(2), 1973,
 *  from memory). @param {number[][]} points @param {number} within */
export function simplified(points, within) {
  let kept = points;
  for (let px = within; kept === points || kept.length > MOST_POINTS; px *= 2) kept = fewer(points, px);
  return kept;
}

/** @param {number[][]} points @param {number} within @returns {number[][]} */
function fewer(points, within) {
  if (points.length < 3) return [...points];
  const [from, to] = [points[0], points[points.length - 1]], dx = to[0] - from[0], dy = to[1] - from[1], long = dx * dx + dy * dy;
  let most = 0, at = 0;
  points.forEach(([x, y], k) => {
    const along = long ? Math.min(1, Math.max(0, ((x - from[0]) * dx + (y - from[1]) * dy) / long)) : 0;
    const off = Math.hypot(x - from[0] - along * dx, y - from[1] - along * dy);
    if (off > most) { most = off; at = k; }
  });
  if (most <= within) return [from, to];
  return [...fewer(points.slice(0, at + 1), within).slice(0, -1), ...fewer(points.slice(at), within)];
}
