// The crop by hand: edges and corners dragged by pointer or keys, written as `nearpair mount --crop` does.
// A crop is [x, y, width, height] in px of the left view as it lies.

import { cuts, drawCuts } from "./marks.js";
import { made } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));
const SMALLEST_PX = 32, STEP_PX = 10;
const RATIOS = ["free", "3:2", "4:3", "5:4", "1:1", "16:9", "2:3", "3:4"];
/** Which sides each handle takes along: -1 left or top, 1 right or bottom. */
const HANDLES = {
  "top left corner": [-1, -1], "top edge": [0, -1], "top right corner": [1, -1], "right edge": [1, 0],
  "bottom right corner": [1, 1], "bottom edge": [0, 1], "bottom left corner": [-1, 1], "left edge": [-1, 0],
};

/** A crop of which a handle was dragged. @param {number[]} crop @param {number[]} sides of the handle; [0, 0] moves all
 *  @param {number} dx @param {number} dy px @param {number | null} ratio width to height @param {number[]} size width, height of the picture
 *  @returns {number[]} whole px, inside the picture */
export function dragged([x, y, width, height], [across, down], dx, dy, ratio, [most, deepest]) {
  if (!across && !down) return [within(x + dx, most - width), within(y + dy, deepest - height), width, height];
  const right = x + width, bottom = y + height;
  // room for each direction, from the side or the middle that stays
  const room = [across < 0 ? right : across > 0 ? most - x : 2 * Math.min(x + width / 2, most - x - width / 2),
    down < 0 ? bottom : down > 0 ? deepest - y : 2 * Math.min(y + height / 2, deepest - y - height / 2)];
  let wide = Math.min(Math.max(width + across * dx, SMALLEST_PX), across ? room[0] : width);
  let high = Math.min(Math.max(height + down * dy, SMALLEST_PX), down ? room[1] : height);
  if (ratio) {
    if (!across) wide = high * ratio;
    else if (down && Math.abs(dx) < Math.abs(dy)) wide = high * ratio;
    wide = Math.min(Math.max(wide, SMALLEST_PX, SMALLEST_PX * ratio), room[0], room[1] * ratio);
    high = wide / ratio;
  }
  [wide, high] = [Math.max(SMALLEST_PX, Math.round(wide)), Math.max(SMALLEST_PX, Math.round(high))];
  const left = across < 0 ? right - wide : across > 0 ? x : Math.round(x + (width - wide) / 2);
  const top = down < 0 ? bottom - high : down > 0 ? y : Math.round(y + (height - high) / 2);
  return [within(left, most - wide), within(top, deepest - high), wide, high];
}

const within = (value, most) => Math.max(0, Math.min(Math.round(value), most));

/** @param {any} desk what the page lends to its parts @returns {any} */
export function crop(desk) {
  /** @type {number[] | null} */ let box = null;
  const handles = Object.entries(HANDLES).map(([name, sides]) => made("button", { type: "button", className: "handle", ariaLabel: name }));

  const size = () => desk.picture.pair.size_px.slice().reverse();
  const ratio = () => {
    const [wide, high] = $("crop-ratio").value.split(":").map(Number);
    return wide && high ? wide / high : null;
  };

  function toggle() {
    if (box) { close(); return; }
    if (!desk.picture?.pair) return;
    desk.alone("crop");
    box = desk.state.pair.mounting.crop_px.slice();
    $("crop").hidden = $("crop-tools").hidden = false;
    $("crop-open").ariaPressed = "true";
    around(true);
    $("crop").focus({ preventScroll: true });
    draw();
  }

  function close() {
    box = null;
    $("crop").hidden = $("crop-tools").hidden = true;
    $("crop-open").ariaPressed = "false";
    around(false);
    $("canvas").focus({ preventScroll: true });
    draw();
  }

  function draw() { desk.picture?.redraw(); }

  /** What lies around the crop is shown while it is set. @param {boolean} on */
  function around(on) {
    desk.picture.surroundings = on;
    if (desk.picture.fitted) desk.picture.fit();
  }

  function set() {
    if (!box) return;
    const chosen = box;
    close();
    desk.change({ crop: chosen });
  }

  function shaped() {
    if (!box || !ratio()) return;
    const [x, y, width, height] = box, wanted = /** @type {number} */ (ratio());
    const wide = Math.min(width, Math.round(height * wanted)), high = Math.min(height, Math.round(width / wanted));
    box = [Math.round(x + (width - wide) / 2), Math.round(y + (height - high) / 2), wide, high];
    draw();
  }

  /** Let a part of the frame be dragged, and moved by arrow keys. @param {HTMLElement} part @param {number[]} sides */
  function moves(part, sides) {
    let from = null;
    part.addEventListener("pointerdown", (event) => {
      if (part === $("crop") && event.target !== part) return;
      from = { at: [event.clientX, event.clientY], box: /** @type {number[]} */ (box).slice() };
      part.setPointerCapture(event.pointerId);
      event.stopPropagation();
    });
    part.addEventListener("pointermove", (event) => {
      if (!from) return;
      const scale = (window.devicePixelRatio || 1) / desk.picture.view.zoom;
      const [dx, dy] = [(event.clientX - from.at[0]) * scale, (event.clientY - from.at[1]) * scale];
      box = dragged(from.box, sides, dx, dy, ratio(), size());
      draw();
    });
    for (const end of ["pointerup", "pointercancel"]) part.addEventListener(end, () => { from = null; });
    part.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey || (part === $("crop") && event.target !== part)) return;
      const by = event.shiftKey ? 1 : STEP_PX;
      const by_key = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] }[event.key];
      if (by_key && box) box = dragged(box, sides, by_key[0], by_key[1], ratio(), size());
      else if (event.key === "Enter") set();
      else if (event.key === "Escape") close();
      else return;
      event.preventDefault();
      event.stopPropagation();
      draw();
    });
  }

  /** Frame, handles, what will be left out, and sides that cut. @param {CanvasRenderingContext2D} at */
  function marked(at) {
    if (!box) return;
    const { picture } = desk, { view, room } = picture, [x, y, width, height] = box;
    const px = [(x - view.x) * view.zoom + room[0] / 2, (y - view.y) * view.zoom + room[1] / 2, width * view.zoom, height * view.zoom];
    const [mx, my] = picture.pair.mounting.crop_px;
    const cut = cuts(picture.pair, picture.map, picture.hand.shift_px, [x - mx, y - my, width, height]);
    drawCuts(at, { x0: px[0], y0: px[1], x1: px[0] + px[2], y1: px[1] + px[3] }, cut, cut.rows);
    at.fillStyle = "rgba(40, 40, 40, .6)";
    const { width: w, height: h } = at.canvas, [bottom, right] = [px[1] + px[3], px[0] + px[2]];
    for (const rest of [[0, 0, w, px[1]], [0, bottom, w, h - bottom], [0, px[1], px[0], px[3]], [right, px[1], w - right, px[3]]]) {
      at.fillRect(...(/** @type {[number, number, number, number]} */ (rest)));
    }
    const scale = window.devicePixelRatio || 1;
    Object.assign($("crop").style, Object.fromEntries(["left", "top", "width", "height"].map((name, k) => [name, `${px[k] / scale}px`])));
    told(cut);
  }

  function told(cut) {
    const [x, y, width, height] = /** @type {number[]} */ (box), [mx, my, mw, mh] = desk.state.pair.mounting.crop_px;
    const sides = ["left", "right"].filter((side) => cut.share[side] >= 0.01).map((side) => `The ${side} side cuts what stands in front of the window. `);
    const beyond = x < mx || y < my || x + width > mx + mw || y + height > my + mh;
    $("crop-words").textContent = `${width} \u00d7 ${height} px at ${x}, ${y}; ${(width / height).toFixed(2)} to 1. ${sides.join("")}`
      + (beyond ? "Beyond the present crop depth is known once it is mounted. " : "");
  }

  $("crop").append(...handles);
  handles.forEach((handle, k) => moves(handle, Object.values(HANDLES)[k]));
  moves($("crop"), [0, 0]);
  $("crop-ratio").append(...RATIOS.map((value) => made("option", { value }, value)));
  $("crop-ratio").onchange = shaped;
  $("crop-open").onclick = toggle;
  $("crop-set").onclick = set;
  $("crop-cancel").onclick = close;
  $("crop-auto").onclick = () => { close(); desk.change({ crop: "auto" }); };
  return {
    keys: { c: toggle }, marked,
    stated() { $("crop-open").disabled = !desk.picture?.pair; },
    left: "The crop by hand is closed, and the crop left as it was.",
    leave() { const open = box !== null; if (open) close(); return open; },
    looked() { $("crop").hidden = !box || desk.picture.beside; },
    get box() { return box; },
  };
}
