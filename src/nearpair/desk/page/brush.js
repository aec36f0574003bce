// A brush: strokes of places, px of the left view as it lies, counted from edges; nothing is decided here.

export class Brush {
  constructor() {
    this.on = false;
    /** @type {number[][][]} */ this.strokes = [];
  }

  clear() { this.strokes = []; }
  /** @param {number[]} place */
  begin(place) { this.strokes.push([place]); }
  /** @param {number[]} place */
  go(place) { this.strokes.at(-1)?.push(place); }
  /** Brush on to a place: by keyboard, all is one stroke. @param {number[]} place */
  step(place) { if (this.strokes.length) this.go(place); else this.begin(place); }
  back() {
    this.strokes.at(-1)?.pop();
    if (!this.strokes.at(-1)?.length) this.strokes.pop();
  }

  /** Draw what is brushed, and the place with the brush around it. @param {CanvasRenderingContext2D} to
   *  @param {any} picture @param {boolean} half whether in the right half @param {number[] | null} place @param {number} radius px */
  draw(to, picture, half, place, radius) {
    const { view, room } = picture, scale = view.zoom;
    const on = ([x, y]) => [(x - view.x) * scale + room[0] / 2 + (half ? room[0] : 0), (y - view.y) * scale + room[1] / 2];
    to.clearRect(0, 0, to.canvas.width, to.canvas.height);
    const path = () => {
      to.beginPath();
      for (const stroke of this.strokes) stroke.forEach((p, k) => { const [x, y] = on(p); if (k) to.lineTo(x, y); else { to.moveTo(x, y); to.lineTo(x, y + 0.01); } });
      to.stroke();
    };
    to.lineCap = to.lineJoin = "round";
    for (const [colour, wider] of /** @type {[string, number][]} */ ([["#000", 6], ["#fff", 3]])) { to.strokeStyle = colour; to.lineWidth = 2 * radius * scale + wider; path(); }
    to.globalCompositeOperation = "destination-out"; to.strokeStyle = "#000"; to.lineWidth = 2 * radius * scale; path();
    to.globalCompositeOperation = "source-over"; to.strokeStyle = "rgb(255 255 255 / 25%)"; path();
    if (!place) return;
    const [x, y] = on(place);
    for (const [colour, wide] of /** @type {[string, number][]} */ ([["#000", 5], ["#fff", 2]])) {
      to.strokeStyle = colour; to.lineWidth = wide;
      to.beginPath(); to.arc(x, y, Math.max(3, radius * scale), 0, 2 * Math.PI);
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { to.moveTo(x + 4 * dx, y + 4 * dy); to.lineTo(x + 14 * dx, y + 14 * dy); }
      to.stroke();
    }
  }
}

const MOST_POINTS = 200;  // as shoot.toml takes them

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
