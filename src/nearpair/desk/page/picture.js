// The live picture: which tiles are needed, where everything lies, and what a hand does to it meanwhile.
// Places are in px of the left view, x right, y down, counted from edges (a pixel's centre lies at + 0.5).

import { drawingOn } from "./plain.js";

const TILE_PX = 512;
const MOST_TILES = 240;
/** Pixels as they are. @type {any} */
const RAW = { colorSpaceConversion: "none", premultiplyAlpha: "none" };

export const LOOKS = {
  glasses: "Glasses", left: "Left eye", right: "Right eye", rocking: "Rocking",
  parallel: "Parallel", crossed: "Crossed", depth: "Depth", focus: "Focus",
};
const MAPS = ["depth", "focus"];

/** What a hand did since the pair was mounted: the same as `[adjust]` in shoot.toml. */
export const STILL = { shift_px: 0, raise_px: 0, turn_deg: 0, scale: 1 };

export class Picture {
  /** @param {HTMLCanvasElement} canvas */
  constructor(canvas) {
    this.canvas = canvas;
    /** @type {any} */ this.composite = drawingOn(canvas);
    this.pair = null;
    this.mixture = null;
    this.mixed = "";  // name of the anaglyph's picture, where no matrix mixes it
    this.instead = null;  // a mixture for as long as it is not there
    this.look = "glasses";
    this.hand = { ...STILL };
    this.view = { x: 0, y: 0, zoom: 1 };
    this.rock = 0;
    this.surroundings = false;  // whether what lies around the crop is shown
    this.over = 1;  // share of a map that lies over the picture
    /** @type {Map<string, {texture: WebGLTexture | null, used: number}>} */
    this.tiles = new Map();
    this.drawn = 0;
    this.both = "";  // key of the pair whose eyes were both shown
    this.mixing = false;
    /** @type {Set<string>} pictures of which something arrived */ this.arrived = new Set();
    /** @type {{key: string, eye: number, box: number[], texture: WebGLTexture}[]} pieces that lie over a pair */ this.pieces = [];
    this.wanted = false;
    this.first = 0;
    /** @type {(() => void) | null} */ this.ondrawn = null;
    /** @type {(() => void) | null} */ this.onsized = null;
    new ResizeObserver(() => this.resize()).observe(canvas);
  }

  resize() {
    const scale = window.devicePixelRatio || 1;
    this.canvas.width = Math.max(1, Math.round(this.canvas.clientWidth * scale));
    this.canvas.height = Math.max(1, Math.round(this.canvas.clientHeight * scale));
    if (this.fitted) this.fit();
    this.onsized?.();
    this.redraw();
  }

  /** @param {any} pair what the desk tells of the mounted pair @param {Float32Array} map */
  show(pair, map) {
    const isNew = !this.pair || this.pair.size_px.join() !== pair.size_px.join();
    this.pair = pair;
    this.map = map;
    this.hand = { ...STILL };
    if (isNew || this.fitted) this.fit();
    this.redraw();
  }

  /** Lay pieces over the pair with this key, in place of those before. @param {string} key
   *  @param {{eye: number, box: number[], picture: string}[]} pieces each a PNG in base64, its box in px of the picture */
  async lay(key, pieces) {
    const number = this.laying = (this.laying ?? 0) + 1;
    const bitmaps = await Promise.all(pieces.map(({ picture }) => {
      const data = Uint8Array.from(atob(picture), (c) => c.charCodeAt(0));
      return createImageBitmap(new Blob([data], { type: "image/png" }), RAW);
    }));
    if (number !== this.laying) return;
    this.pieces.forEach(({ texture }) => this.composite.forget(texture));
    this.pieces = pieces.map(({ eye, box }, k) => ({ key, eye, box, texture: this.composite.texture(bitmaps[k], true) }));
    this.redraw();
  }

  get beside() { return this.look === "parallel" || this.look === "crossed"; }

  /** Size of one picture on the canvas. */
  get room() { return [this.beside ? Math.floor(this.canvas.width / 2) : this.canvas.width, this.canvas.height]; }

  fit() {
    if (!this.pair) return;
    const [tall, wide] = this.pair.size_px, [x, y, w, h] = this.surroundings ? [0, 0, wide, tall] : this.pair.mounting.crop_px;
    // a margin of grey, so that the window is seen as a frame
    const [width, height] = this.room, margin = (this.canvas.clientWidth > 700 ? 12 : 3) * (window.devicePixelRatio || 1) * (this.surroundings ? 2 : 1);
    const zoom = Math.min((width - 2 * margin) / w, (height - 2 * margin) / h);
    this.view = { x: x + w / 2, y: y + h / 2, zoom };
    this.fitted = true;
    this.redraw();
  }

  /** One pixel of the picture on `zoom` of the canvas, on whole pixels so that none is mixed.
   *  @param {number[]} [about] the place in the middle @param {number} [zoom] whole */
  exact(about = [this.view.x, this.view.y], zoom = 1) {
    const whole = (v, room) => (Math.round(v * zoom - room / 2) + room / 2) / zoom, [width, height] = this.room;
    this.view = { x: whole(about[0], width), y: whole(about[1], height), zoom };
    this.fitted = false;
    this.redraw();
  }

  /** @param {number} dx @param {number} dy px of the canvas */
  pan(dx, dy) {
    this.view.x -= dx / this.view.zoom;
    this.view.y -= dy / this.view.zoom;
    this.fitted = false;
    this.redraw();
  }

  /** @param {number} factor @param {number[]} about px of the canvas */
  zoomBy(factor, about) {
    const before = this.placeOf(about);
    this.view.zoom = Math.min(16, Math.max(0.01, this.view.zoom * factor));
    const after = this.placeOf(about);
    this.view.x += before[0] - after[0];
    this.view.y += before[1] - after[1];
    this.fitted = false;
    this.redraw();
  }

  /** Where a point of the canvas lies in the left view. @param {number[]} at px of the canvas */
  placeOf(at) {
    const [width, height] = this.room;
    const x = this.beside && at[0] >= width ? at[0] - width : at[0];
    return [this.view.x + (x - width / 2) / this.view.zoom, this.view.y + (at[1] - height / 2) / this.view.zoom];
  }

  /** Parallax at a place of the left view, as it is shown now; NaN where unknown. @param {number[]} place */
  parallaxAt(place) {
    if (!this.pair) return NaN;
    const [rows, columns] = this.pair.map.size_px, cell = this.pair.map.factor;
    const [x, y] = this.pair.mounting.crop_px;
    const column = Math.floor((place[0] - x) / cell), row = Math.floor((place[1] - y) / cell);
    const found = [];
    for (let reach = 0; reach <= 4 && found.length < 3; reach++) {
      found.length = 0;
      for (let j = row - reach; j <= row + reach; j++) {
        for (let i = column - reach; i <= column + reach; i++) {
          const value = i >= 0 && j >= 0 && i < columns && j < rows ? this.map[j * columns + i] : NaN;
          if (Number.isFinite(value)) found.push(value);
        }
      }
    }
    found.sort((a, b) => a - b);
    return found.length ? found[found.length >> 1] + this.hand.shift_px : NaN;
  }

  redraw() {
    this.atRest = false;
    if (this.wanted) return;
    this.wanted = true;
    requestAnimationFrame(() => { this.wanted = false; this.draw(); });
  }

  draw() {
    const start = performance.now();
    this.composite.clear();
    const size = this.room;
    if (!this.pair || !size[0]) return;
    this.complete = true;
    const looks = this.#eyes(size);
    const exact = this.#unmixed(size);
    looks.forEach((what, eye) => {
      const alone = eye === 1 && looks[0] === looks[1];  // then nothing of what was there before may stay
      const over = what === "left" || what === "right" ? this.#piecesOf(what, size) : [];
      this.composite.eye(/** @type {0 | 1} */ (eye), alone ? [] : [...this.#tilesOf(what, what === "right", size), ...over], exact, size);
    });
    const [x, y, w, h] = this.pair.mounting.crop_px;
    const corner = (px, py) => this.#clip(px, py, size);
    const [x0, y0] = corner(x, y + h), [x1, y1] = corner(x + w, y);
    const masks = (this.pair.mounting.floating_px || [0, 0]).map((m) => (2 * m * this.view.zoom) / size[0]);
    const how = { mixture: null, share: 0, crop: [x0, y0, x1, y1], masks, around: this.surroundings && !this.beside ? 0.35 : -1, box: [0, 0, ...size] };
    if (MAPS.includes(this.look)) this.composite.mix({ ...how, masks: [0, 0], share: this.over });
    else if (looks[0] !== "left") this.composite.mix({ ...how, masks: [0, 0] });
    else if (this.look === "glasses") this.composite.mix({ ...how, mixture: this.mixture ?? this.instead });
    else if (this.look === "right") this.composite.mix({ ...how, share: 1 });
    else if (this.look === "rocking") this.composite.mix({ ...how, share: this.rock });
    else if (this.beside) {
      const first = this.look === "parallel" ? 0 : 1;
      this.composite.mix({ ...how, share: first });
      this.composite.mix({ ...how, share: 1 - first, box: [size[0], 0, ...size] });
    } else this.composite.mix(how);
    this.box = { x0: ((x0 + 1) / 2) * size[0], y0: ((1 - y1) / 2) * size[1], x1: ((x1 + 1) / 2) * size[0], y1: ((1 - y0) / 2) * size[1] };
    if (this.complete && looks[1] === "right") this.both = this.pair.key;
    this.ondrawn?.();
    this.drawn = performance.now() - start;
    this.atRest = this.complete && this.still && (looks[0] !== "left" || this.look !== "glasses" || this.mixture !== null || this.#laid.length > 0);
    if (!this.first && this.complete) this.first = performance.now();
    if (this.complete && !this.atRest && this.still && this.look === "glasses" && !this.mixture && looks[1] === "right") this.#soon();
  }

  /** Once more: what is drawn next may be asked for only now. */
  #soon() {
    if (this.asked === `${this.pair.key}/${this.mixed}`) return;
    this.asked = `${this.pair.key}/${this.mixed}`;
    this.redraw();
  }

  /** Which pictures are drawn for the two eyes. */
  #eyes(size) {
    if (MAPS.includes(this.look)) return ["left", this.look];
    // a mixture made by the desk takes time: both eyes are shown first
    if (this.look === "glasses" && !this.mixture && this.still && this.both === this.pair.key && !this.#laid.length) {
      this.#tilesOf(this.mixed, false, size);
      if (this.complete) return [this.mixed, this.mixed];
      this.complete = true;
    }
    return ["left", "right"];
  }

  /** The pieces that lie over this pair. */
  get #laid() { return this.pieces.filter((piece) => piece.key === this.pair.key); }

  /** @param {string} what @param {number[]} size */
  #piecesOf(what, size) {
    const moves = what === "right";
    return this.#laid.filter(({ eye }) => (eye === 1) === moves).map(({ box: [x, y, w, h], texture }) => {
      const at = (px, py) => this.#clip(...(moves ? this.#moved(px, py) : [px, py]), size);
      const [ox, oy] = at(x, y), [rx, ry] = at(x + w, y), [dx, dy] = at(x, y + h);
      return { texture, place: [rx - ox, ry - oy, 0, dx - ox, dy - oy, 0, ox, oy, 1], smooth: this.view.zoom < 1 };
    });
  }

  /** Whether each pixel of the pictures falls on whole ones of the canvas. */
  #unmixed([width]) {
    const { zoom, x } = this.view, { shift_px, ...rest } = this.hand;
    const unturned = Object.entries(rest).every(([name, value]) => value === STILL[name]);
    return Number.isInteger(zoom) && unturned && Number.isInteger(shift_px) && Number.isInteger(x * zoom - width / 2);
  }

  get still() { return Object.keys(STILL).every((name) => this.hand[name] === STILL[name]); }

  /** Clip coordinates of a place. */
  #clip(x, y, size) {
    return [(2 * (x - this.view.x) * this.view.zoom) / size[0], (-2 * (y - this.view.y) * this.view.zoom) / size[1]];
  }

  /** What the hand does to a place of the right picture, about the middle of the view. */
  #moved(x, y) {
    const [height, width] = this.pair.size_px, { shift_px, raise_px, turn_deg, scale } = this.hand;
    const turn = (turn_deg * Math.PI) / 180, a = scale * Math.cos(turn), b = scale * Math.sin(turn);
    const dx = x - width / 2, dy = y - height / 2;
    return [width / 2 + a * dx - b * dy + shift_px, height / 2 + b * dx + a * dy - raise_px];
  }

  /** The tiles of one eye that the canvas needs, coarse ones below. */
  #tilesOf(what, moves, size) {
    const finest = Math.min(this.pair.levels - 1, Math.max(0, Math.floor(-Math.log2(this.view.zoom) + 0.01)));
    const placed = [];
    const levels = [this.pair.levels - 1, Math.max(finest, this.pair.at_once), finest + 1, finest].filter((l, k, all) => l < this.pair.levels && all.indexOf(l) === k);
    for (const level of levels) {
      const step = TILE_PX * 2 ** level, [height, width] = this.pair.size_px;
      const reach = [size[0] / 2 / this.view.zoom, size[1] / 2 / this.view.zoom];
      const margin = moves ? 64 + Math.abs(this.hand.shift_px) : 0;
      const from = (v, r) => Math.max(0, Math.floor((v - r - margin) / step));
      const to = (v, r, most) => Math.min(Math.ceil(most / step) - 1, Math.floor((v + r + margin) / step));
      for (let row = from(this.view.y, reach[1]); row <= to(this.view.y, reach[1], height); row++) {
        for (let column = from(this.view.x, reach[0]); column <= to(this.view.x, reach[0], width); column++) {
          if (level === finest + 1 && level !== this.pair.levels - 1 && level !== this.pair.at_once) {
            if (!this.tiles.has(this.#name(what, level, column, row))) continue;
          }
          const texture = this.#tile(what, level, column, row);
          if (!texture && level === finest) this.complete = false;
          if (texture) placed.push({ texture, place: this.#placeTile(level, column, row, moves, size) });
        }
      }
    }
    return placed;
  }

  #placeTile(level, column, row, moves, size) {
    const unit = 2 ** level, [height, width] = this.pair.size_px;
    const x0 = column * TILE_PX, y0 = row * TILE_PX;
    // a size is the whole picture, rounded up: its px are a little less than `unit` wide
    const wide = Math.ceil(width / unit), high = Math.ceil(height / unit);
    const x1 = Math.min(x0 + TILE_PX, wide), y1 = Math.min(y0 + TILE_PX, high);
    const at = (x, y) => {
      const place = [(x * width) / wide, (y * height) / high];
      return this.#clip(...(moves ? this.#moved(place[0], place[1]) : place), size);
    };
    const [ox, oy] = at(x0, y0), [rx, ry] = at(x1, y0), [dx, dy] = at(x0, y1);
    return [rx - ox, ry - oy, 0, dx - ox, dy - oy, 0, ox, oy, 1];
  }

  #tile(what, level, column, row) {
    const name = this.#name(what, level, column, row);
    const known = this.tiles.get(name);
    if (known) { known.used = performance.now(); return known.texture; }
    // one request at a time until the desk has mixed: it answers none before, and browsers keep few connections
    if (what === this.mixed && this.mixing && !this.arrived.has(`${this.pair.key}/${what}`)) return null;
    if (what === this.mixed) this.mixing = true;
    const entry = { texture: null, used: performance.now() };
    this.tiles.set(name, entry);
    this.#load(`/picture/${name}.png`, name, entry);
    return null;
  }

  #name(what, level, column, row) { return `${this.pair.key}/${what}/${level}/${column}-${row}`; }

  async #load(address, name, entry) {
    try {
      const answer = await fetch(address);
      if (!answer.ok) throw new Error(answer.statusText);
      const bitmap = await createImageBitmap(await answer.blob(), RAW);
      if (this.tiles.get(name) !== entry) return;
      entry.texture = this.composite.texture(bitmap);
      this.arrived.add(name.split("/").slice(0, 2).join("/"));
      if (name.includes("/mixed-")) this.mixing = false;
      this.#makeRoom();
      this.redraw();
    } catch {
      if (name.includes("/mixed-")) this.mixing = false;
      setTimeout(() => this.tiles.get(name) === entry && this.tiles.delete(name), 2000);
    }
  }

  #makeRoom() {
    if (this.tiles.size <= MOST_TILES) return;
    const oldest = [...this.tiles].filter(([, tile]) => tile.texture).sort((a, b) => a[1].used - b[1].used);
    for (const [name, tile] of oldest.slice(0, this.tiles.size - MOST_TILES)) {
      this.composite.forget(/** @type {WebGLTexture} */ (tile.texture));
      this.tiles.delete(name);
    }
  }
}
