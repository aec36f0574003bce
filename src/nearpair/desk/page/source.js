// Frames at a place: which one is shown there, what the others show, and another one brushed in, for both eyes.

import { Brush, drawArea, drawPlace, outline } from "./brush.js";
import { readBehind, tryOut } from "./api.js";
import { Lie } from "./lie.js";
import { made } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));
const EYES = ["left", "right"];
const TRY_MS = 120;  // a hand that rests so long has brushed
const MOST_TRIED = 50;
const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);
const BESIDE = 1;  // frames shown before and after the chosen one
const MOVES = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** @param {{state: any, picture: any, change: (changes: object) => void, say: (text: string) => void}} desk */
export function source(desk) {
  const tool = new Tool(desk);
  return { stated: () => tool.stated(), left: "Frames here is closed.", leave: () => { const { open } = tool; if (open) tool.toggle(false); return open; }, get lie() { return tool.lie; }, get strokes() { return tool.brush.strokes; }, get place() { return tool.place; }, get found() { return tool.found; }, get chosen() { return tool.chosen; } };
}

class Tool {
  /** @param {any} desk */
  constructor(desk) {
    this.desk = desk;
    this.open = false;
    this.eye = 0;
    /** @type {number[] | null} */ this.place = null;  // px of the left view as it lies, counted from edges
    /** @type {any} */ this.found = null;
    this.chosen = 0;
    this.both = true;
    this.brush = new Brush();
    this.asking = 0;
    this.key = "";
    this.#build();
    this.#listen();
  }

  #build() {
    const button = (words, act, more = {}) => made("button", { type: "button", onclick: act, ...more }, words);
    this.words = made("p", { role: "status" });
    this.curve = made("canvas", { width: 900, height: 90 });
    this.curve.setAttribute("role", "img");
    this.curve.addEventListener("click", (event) => {
      const at = this.found?.[EYES[this.eye]];
      if (at) this.choose(Math.floor((event.offsetX / this.curve.clientWidth) * at.frames.length));
    });
    this.strips = EYES.map(() => made("div", { className: "strip" }));
    this.looking = button("Look", () => this.setBrushing(false), { ariaPressed: "true", id: "source-look" });
    this.brushing = button("Brush", () => this.setBrushing(true), { ariaPressed: "false", id: "source-brush" });
    this.radius_px = made("input", { id: "source-radius", type: "number", min: 1, max: 2000, step: 1, value: 0, oninput: () => this.drawControls() });
    this.alike = made("select", { id: "source-eyes", onchange: () => { this.both = this.alike.value === "both"; this.drawControls(); } },
      made("option", { value: "both" }, "both eyes"), made("option", { value: "one" }, "this eye"));
    this.put = button("Show this frame there", () => this.apply(), { className: "main", id: "source-put", disabled: true });
    this.list = made("ul", { id: "source-list" });
    $("source").append(made("div", { id: "source-head" }, made("h2", {}, "Frames here"), button("Close", () => this.toggle(false), { id: "source-close" })), this.words,
      made("div", { className: "row" },
        button("Frame before", () => this.step(-1), { id: "source-before" }), button("Frame after", () => this.step(1), { id: "source-after" }),
        this.looking, this.brushing, button("Clear the brush", () => { this.brush.clear(); this.drawControls(); }, { id: "source-clear" })),
      made("div", { className: "row" }, made("label", {}, "Radius, px", this.radius_px), made("label", {}, "For", this.alike), this.put),
      this.curve, made("div", { id: "source-crops" }, ...this.strips),
      made("p", { className: "hint" }, "Click a place to see its frames. With the brush, drag over what is to show the chosen one. By keyboard: arrows move the place (with Shift by 1 px), comma and full stop change the frame, space brushes on from place to place, Enter shows the frame there, Backspace takes the last point back, Escape closes."),
      this.list);
    $("source-open").onclick = () => this.toggle();
  }

  toggle(open = !this.open) {
    if (open) this.desk.alone("source");
    this.open = open;
    $("source").hidden = !open;
    document.body.classList.toggle("frames", open);
    $("source-open").ariaPressed = String(open);
    this.tried();
    if (open && this.desk.state?.pair) {
      const [x, y, width, height] = this.desk.state.pair.mounting.crop_px;
      if (!Number(this.radius_px.value)) this.radius_px.value = Math.max(4, Math.round(width * 0.015));
      this.place ??= [x + Math.round(width / 2) + 0.5, y + Math.round(height / 2) + 0.5];
      this.look();
      $("canvas").focus({ preventScroll: true });
    }
    this.draw();
  }

  setBrushing(on) {
    this.brush.on = on;
    this.brushing.ariaPressed = String(on);
    this.looking.ariaPressed = String(!on);
  }

  /** The page was told of something: the pair may be another one. */
  stated() {
    const { picture, state } = this.desk;
    if (picture && picture.ondrawn !== this.drawn) {
      const before = picture.ondrawn;
      this.drawn = () => { before?.(); this.draw(); };
      picture.ondrawn = this.drawn;
    }
    if (this.refused && state.job.state !== "running") this.asked = "";  // once more
    this.tried();
    if (!this.open || !state.pair) return;
    if (state.job.state !== "running" && this.key !== state.pair.key) this.look(false);
    this.drawControls();
  }

  /** Ask which frames are shown at the place. @param {boolean} anew whether the place is a new one */
  async look(anew = true) {
    const pair = this.desk.state?.pair, number = ++this.asking;
    if (!pair || !this.place || this.desk.state.job.state === "running") return;
    try {
      const found = await readBehind(pair.key, EYES[this.eye], this.place.map((v) => Math.max(0, v - 0.5)));
      if (number !== this.asking) return;
      this.found = found;
      this.key = pair.key;
      const at = found[EYES[this.eye]];
      if (at && (anew || !at.usable[this.chosen])) this.chosen = this.#used(at);
    } catch (error) {
      if (number !== this.asking) return;
      if (error.status !== 409) this.desk.say(error.message);  // else it is asked again once the work is done
    }
    this.drawControls();
  }

  /** Number of the frame that a place shows. */
  #used(at) { return at.number === null ? 0 : Math.min(at.frames.length - 1, Math.max(0, Math.round(at.number))); }

  /** @param {number} by */
  step(by) {
    const at = this.found?.[EYES[this.eye]];
    if (!at) return;
    for (let k = this.chosen + by; k >= 0 && k < at.frames.length; k += by) if (at.usable[k]) { this.choose(k); return; }
  }

  choose(number) {
    const at = this.found?.[EYES[this.eye]];
    if (at?.usable[number]) { this.chosen = number; this.drawControls(); }
  }

  /** @param {number} x @param {number} y px, counted from edges */
  at(x, y, anew = true) {
    const [height, width] = this.desk.state.pair.size_px;
    this.place = [Math.min(width - 0.5, Math.max(0.5, x)), Math.min(height - 0.5, Math.max(0.5, y))];
    this.draw();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.look(anew), 120);
  }

  /** How the views lie in the pair that is shown. */
  get lie() {
    const { pair } = this.desk.state;
    if (this.lying?.pair !== pair) this.lying = { pair, lie: new Lie(pair) };
    return this.lying.lie;
  }

  /** @param {number} eye */
  #workOn(eye) {
    if (this.brush.strokes.length) this.desk.say("What was brushed for the other eye is cleared: each eye has strokes of its own.");
    this.eye = eye;
    this.brush.clear();
    this.found = null;
  }

  /** A place of the picture as px of the view of the eye that is worked on. @param {number[]} place */
  #onView(place) { return this.lie.within(this.lie.toView(this.eye, place)); }

  /** The retouches that the brush would add. */
  #brushed() {
    const at = this.found?.[EYES[this.eye]];
    if (!at) return [];
    return this.brush.strokes.map((points) => ({
      station: at.station, frame: at.frames[this.chosen], radius_px: this.radius, points, eyes: this.both ? "both" : "one", on: at.reference,
    }));
  }

  /** Show what is brushed, and decided but not mounted yet, before it is made. */
  tried() {
    clearTimeout(this.trying);
    this.trying = setTimeout(() => this.#tryOut(), TRY_MS);
  }

  async #tryOut() {
    const { state, picture } = this.desk, { pair, decisions } = state ?? {};
    if (!pair || !picture || !decisions) return;
    const added = this.open ? this.#brushed() : [], without = (all, some) => all.filter((one) => !some.some((other) => same(one, other)));
    const wanted = [...decisions.retouches, ...added];
    const where = this.open ? [...without(wanted, pair.retouches), ...without(pair.retouches, wanted)] : [];
    const asked = `${pair.key} ${JSON.stringify([wanted, where])}`;
    if (asked === this.asked) return;
    this.asked = asked;
    this.refused = false;
    this.toldOf = [];
    if (!where.length) { picture.lay(pair.key, []); this.drawControls(); return; }
    try {
      const { pieces, told, large } = await tryOut(pair.key, wanted, where.slice(-MOST_TRIED));
      if (asked !== this.asked) return;
      await picture.lay(pair.key, pieces);
      this.toldOf = added.length ? told.slice(-added.length) : [];
      if (large.length) this.desk.say("The area is large: it is shown once the pair is made.");
    } catch (error) {
      if (asked !== this.asked) return;
      this.refused = true;
      if (error.status !== 409 && error.status !== 404) this.desk.say(error.message);
    }
    this.drawControls();
  }

  /** Whether the picture shows already what is brushed. */
  get shows() { const { picture } = this.desk; return picture.pieces.some(({ key }) => key === picture.pair.key); }

  get radius() { return Math.min(1e4, Math.max(0.5, Number(this.radius_px.value) || 1)); }

  /** Decide that the brushed area shows the chosen frame. */
  apply() {
    const at = this.found?.[EYES[this.eye]];
    if (!at) return;
    if (!this.brush.strokes.length) this.brush.begin(this.#onView(this.place));
    const added = this.#brushed(), { strokes } = this.brush;
    this.brush.clear();
    this.desk.change(({ retouches }) => ({ retouches: [...retouches, ...added] })).then((done) => {
      if (!done && !this.brush.strokes.length) this.brush.strokes = strokes;  // refused: nothing is lost
      this.drawControls();
    });
  }

  drawControls() {
    const at = this.found?.[EYES[this.eye]], other = this.found?.[EYES[1 - this.eye]];
    this.put.disabled = !at;
    this.drawWords(at, other);
    this.drawCurve(at);
    this.drawStrips(at, other);
    this.drawList();
    this.draw();
    this.tried();
  }

  drawWords(at, other) {
    const told = (eye, found) => (found
      ? `${found.station} at ${Math.round(found.point_px[0])}, ${Math.round(found.point_px[1])} shows ${found.number === null ? "nothing sharp" : `${found.frames[this.#used(found)]}, number ${this.#used(found) + 1} of ${found.frames.length}`}. `
      : `${EYES[eye] === "left" ? "Left" : "Right"} eye: not seen, or its depth is not known. `);
    this.words.replaceChildren(told(this.eye, at), told(1 - this.eye, other),
      at ? made("strong", {}, `Chosen: ${at.frames[this.chosen]}, number ${this.chosen + 1}${this.toldOf?.length ? this.#other({}, this.toldOf.at(-1)) : ""}.`) : "");
  }

  /** How sharp each frame shows the place; the chosen one is white, the one that is shown is marked below. */
  drawCurve(at) {
    const to = this.curve.getContext("2d"), { width, height } = this.curve;
    to.fillStyle = "#3a3a3a"; to.fillRect(0, 0, width, height);
    if (!at) return;
    const wide = width / at.frames.length, used = at.number === null ? -1 : this.#used(at);
    at.sharpness.forEach((sharp, k) => {
      to.fillStyle = k === this.chosen ? "#fff" : at.usable[k] ? "#9a9a9a" : "#565656";
      const high = Math.max(2, (sharp ?? 0) * (height - 16));
      to.fillRect(k * wide + 1, height - 12 - high, Math.max(1, wide - 2), high);
      if (k === used) { to.fillStyle = "#fff"; to.fillRect(k * wide + 1, height - 8, Math.max(1, wide - 2), 6); }
    });
    this.curve.setAttribute("aria-label", `How sharp each of ${at.frames.length} frames shows the place: number ${this.#sharpest(at) + 1} is the sharpest`);
  }

  #sharpest(at) { return at.sharpness.reduce((best, sharp, k) => ((sharp ?? 0) > (at.sharpness[best] ?? 0) ? k : best), 0); }

  drawStrips(at, other) {
    const own = [], theirs = [];
    for (let k = this.chosen - BESIDE; at && k <= this.chosen + BESIDE; k++) {
      if (!at.usable[k]) continue;
      own.push(this.#crop(this.eye, at, k, k));
      const there = at.other_number[k];
      if (other && there !== null) theirs.push(this.#crop(1 - this.eye, other, there, k));
    }
    this.strips[this.eye].replaceChildren(...own);
    this.strips[1 - this.eye].replaceChildren(...theirs);
    for (const strip of this.strips) {
      const chosen = strip.querySelector("[aria-pressed=true]");
      if (chosen) strip.scrollLeft = chosen.offsetLeft - strip.offsetLeft - (strip.clientWidth - chosen.offsetWidth) / 2;
    }
  }

  /** One frame around the place, pixel by pixel. */
  #crop(eye, at, number, chooses) {
    const [x, y] = at.point_px.map((v) => Math.max(0, Math.round(v)));
    const words = `${EYES[eye] === "left" ? "Left" : "Right"}: ${at.frames[number]}`;
    return made("figure", {}, made("button", {
      type: "button", ariaPressed: String(chooses === this.chosen), ariaLabel: `Choose ${words}`, onclick: () => this.choose(chooses),
    }, made("img", { src: `/behind/${this.key}/${EYES[eye]}/${number}/${x}-${y}.png`, alt: "", width: 128, height: 128 })), made("figcaption", {}, words));
  }

  /** What is retouched, each with a way back. */
  drawList() {
    const left = [...(this.found?.done ?? [])], retouches = this.desk.state?.decisions?.retouches ?? [];
    this.list.replaceChildren(...retouches.map((one, k) => {
      const at = left.findIndex((done) => done.station === one.station && done.frame === one.frame);
      const done = at < 0 ? null : left.splice(at, 1)[0];
      return made("li", {}, made("span", {}, `${k + 1}. ${one.station}: ${one.frame}${this.#other(one, done)}`),
        made("button", { type: "button", onclick: () => this.#takeBack(one) }, "Take back"));
    }));
  }

  #takeBack(one) {
    this.desk.change(({ retouches }) => {
      const at = retouches.findLastIndex((other) => same(one, other));
      return { retouches: retouches.filter((_, k) => k !== at) };
    });
  }

  #other(one, done) {
    if (one.eyes === "one" || !done) return "";
    if (!done.other_frame) return `; ${done.other_station} as it is: ${done.reason}`;
    const seen = done.other_share < 0.995 ? `, which sees ${Math.round(100 * done.other_share)} % of it` : "";
    return `; ${done.other_station}${seen}: ${done.other_frame}`;
  }

  /** The place, the brush, and what is brushed, over the picture. */
  draw() {
    const over = $("source-marks"), canvas = $("canvas"), { picture } = this.desk;
    over.hidden = !this.open;
    if (!this.open || !picture?.pair) return;
    Object.assign(over.style, { width: `${canvas.clientWidth}px`, height: `${canvas.clientHeight}px` });
    if (over.width !== canvas.width || over.height !== canvas.height) { over.width = canvas.width; over.height = canvas.height; }
    const to = over.getContext("2d"), scale = picture.view.zoom;
    to.clearRect(0, 0, over.width, over.height);
    const around = (strokes) => outline(strokes, this.radius, (place) => this.#onCanvas(this.lie.toPicture(this.eye, place)), scale);
    if (this.brush.strokes.length) drawArea(to, around(this.brush.strokes), !this.shows);
    if (!this.place) return;
    drawPlace(to, around([[this.#onView(this.place)]]), this.#onCanvas(this.place));
  }

  /** Where a place of the picture is on the canvas, for the eye that is worked on. */
  #onCanvas([x, y]) {
    const { view, room } = this.desk.picture;
    return [(x - view.x) * view.zoom + room[0] / 2 + (this.#half ? room[0] : 0), (y - view.y) * view.zoom + room[1] / 2];
  }

  /** Whether the eye that is worked on is in the right half of the canvas. */
  get #half() { const { picture } = this.desk; return picture.beside && (this.eye === 1) === (picture.look === "parallel"); }

  /** The eye whose picture is at a point of the canvas. */
  #eyeAt(at) {
    const { picture } = this.desk;
    if (picture.beside) return (at[0] >= picture.room[0]) === (picture.look === "parallel") ? 1 : 0;
    return picture.look === "right" ? 1 : 0;
  }

  #listen() {
    const canvas = $("canvas");
    /** @type {any} */ let held = null;
    const at = (event) => { const box = canvas.getBoundingClientRect(), scale = canvas.width / box.width; return [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale]; };
    const taken = (event) => { if (!this.open || !this.desk.picture?.pair) return false; event.stopImmediatePropagation(); return true; };
    canvas.addEventListener("pointerdown", (event) => {
      if (!taken(event)) return;
      canvas.setPointerCapture(event.pointerId);
      held = { at: at(event), moved: false };
      const eye = this.#eyeAt(held.at);
      if (this.brush.on && eye === 1 && this.desk.state.pair.mounting.base_share !== 1) {
        held = null;
        this.desk.say("The right picture is reckoned for a share of the base: brush on the left one, and it follows.");
        return;
      }
      if (eye !== this.eye) this.#workOn(eye);
      if (this.brush.on) { this.brush.begin(this.#onView(this.desk.picture.placeOf(held.at))); this.draw(); }
    }, true);
    canvas.addEventListener("pointermove", (event) => {
      if (!held || !taken(event)) return;
      const now = at(event), [dx, dy] = [now[0] - held.at[0], now[1] - held.at[1]];
      if (!held.moved && Math.hypot(dx, dy) < 5) return;
      held.moved = true;
      held.at = now;
      if (this.brush.on) { this.brush.go(this.#onView(this.desk.picture.placeOf(now)), this.radius / 8); this.draw(); } else this.desk.picture.pan(dx, dy);
    }, true);
    canvas.addEventListener("pointercancel", () => { held = null; });
    canvas.addEventListener("pointerup", (event) => {
      if (!held || !taken(event)) return;
      const [x, y] = this.desk.picture.placeOf(held.at);
      if (this.brush.on) { this.brush.settle(this.radius / 20); if (!this.found) this.at(x, y); } else if (!held.moved) this.at(x, y);
      held = null;
      this.drawControls();
    }, true);
    document.addEventListener("keydown", (event) => this.#keyed(event), true);
    // what is brushed is not decided yet: the browser asks before it closes the page
    window.addEventListener("beforeunload", (event) => { if (this.brush.strokes.length) event.preventDefault(); });
  }

  #keyed(event) {
    const { tagName, id } = event.target, typing = /^(INPUT|SELECT|TEXTAREA)$/.test(tagName);
    if (event.ctrlKey || event.metaKey || event.altKey || typing || !this.desk.state?.pair || document.querySelector("dialog[open]") || event.target.closest?.("#loupe")) return;
    const on = id === "canvas" || event.target === document.body;
    const acts = { s: () => this.toggle() };
    if (this.open) {
      Object.assign(acts, { ",": () => this.step(-1), ".": () => this.step(1), Escape: () => this.toggle(false) });
      if (on) {
        Object.assign(acts, { " ": () => this.brush.step(this.#onView(this.place)), Enter: () => this.apply(), Backspace: () => this.brush.back() });
        const by = event.shiftKey ? 1 : Math.max(1, Math.round(8 / this.desk.picture.view.zoom));
        for (const [key, [dx, dy]] of Object.entries(MOVES)) acts[key] = () => this.at(this.place[0] + dx * by, this.place[1] + dy * by, !this.brush.strokes.length);
      }
    }
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    act();
    this.draw();
  }
}
