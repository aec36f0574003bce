// The loupe: the same place of both pictures, pixel by pixel, side by side or through the glasses.

import { Lie } from "./lie.js";
import { Picture } from "./picture.js";
import { made, signed } from "./words.js";

const ZOOMS = [1, 2, 4];
const WAYS = { parallel: "Side by side", crossed: "Crossed", glasses: "Glasses" };
const STEP_PX = 10;

const $ = (id) => /** @type {any} */ (document.getElementById(id));

/** @param {any} desk what the page lends to its parts @returns {any} */
export function loupe(desk) {
  let picture = null, place = null, zoom = 2;

  function choices() {
    const button = (group, value, words, act) => made("button", {
      type: "button", id: `loupe-${group}-${value}`, ariaPressed: "false", onclick: act }, words);
    $("loupe-ways").replaceChildren(...Object.entries(WAYS).map(([way, words]) => button("way", way, words, () => { picture.look = way; draw(); })));
    $("loupe-zooms").replaceChildren(...ZOOMS.map((times) => button("zoom", times, `${times} : 1`, () => { zoom = times; draw(); })));
  }

  const isOpen = () => !$("loupe").hidden;

  /** Where it looks if nobody points: at the window's point, else at the middle. */
  function usual() {
    const { window_point_px: point, crop_px: [x, y, width, height] } = desk.state.pair.mounting;
    return point ? new Lie(desk.state.pair).toPicture(0, point) : [x + width / 2, y + height / 2];
  }

  function toggle() {
    if (!desk.picture?.pair) return;
    const open = !isOpen();
    $("loupe").hidden = !open;
    $("loupe-open").ariaPressed = String(open);
    document.body.classList.toggle("looking", open);
    if (open) {
      if (!picture) {
        picture = new Picture($("loupe-canvas"));
        picture.look = "parallel";
        picture.onsized = draw;
      }
      place ??= usual();
      draw();
      $("loupe-canvas").focus({ preventScroll: true });
    } else $("canvas").focus({ preventScroll: true });
    desk.picture.redraw();
  }

  function draw() {
    if (!isOpen() || !desk.picture?.pair) return;
    const main = desk.picture;
    for (const name of ["mixture", "instead", "mixed"]) picture[name] = main[name];
    if (picture.pair !== main.pair) picture.show(main.pair, main.map);
    const parallax = main.parallaxAt(place);
    const aligned = $("loupe-same").checked && Number.isFinite(parallax);
    // by whole pixels, so that none is mixed with its neighbour
    picture.hand = { ...main.hand, shift_px: aligned ? Math.round(main.hand.shift_px - parallax) : main.hand.shift_px };
    picture.exact(place, zoom);
    for (const way of Object.keys(WAYS)) $(`loupe-way-${way}`).ariaPressed = String(way === picture.look);
    for (const times of ZOOMS) $(`loupe-zoom-${times}`).ariaPressed = String(times === zoom);
    const eyes = { parallel: "Left eye, right eye. ", crossed: "Right eye, left eye. ", glasses: "" }[picture.look];
    const said = Number.isFinite(parallax) ? `parallax ${signed(parallax)} px${aligned ? ", taken out here" : ""}` : "depth unknown";
    $("loupe-words").textContent = `${eyes}At ${place.map((v) => Math.round(v - 0.5)).join(", ")}: ${said}.`;
    $("loupe").classList.toggle("beyond", onLeft());
    desk.picture.redraw();
  }

  /** Whether the place lies under the loupe if that stands on the left: then it stands on the right. */
  function onLeft() {
    const { view, canvas } = desk.picture;
    return (place[0] - view.x) * view.zoom + canvas.width / 2 < canvas.width / 2;
  }

  function moved(dx, dy) {
    const [height, width] = desk.picture.pair.size_px;
    place = [Math.min(width, Math.max(0, place[0] + dx)), Math.min(height, Math.max(0, place[1] + dy))];
    draw();
  }

  function keyed(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const by = event.shiftKey ? 1 : STEP_PX, at = ZOOMS.indexOf(zoom);
    const acts = {
      ArrowLeft: () => moved(-by, 0), ArrowRight: () => moved(by, 0), ArrowUp: () => moved(0, -by), ArrowDown: () => moved(0, by),
      "+": () => { zoom = ZOOMS[Math.min(ZOOMS.length - 1, at + 1)]; draw(); }, "-": () => { zoom = ZOOMS[Math.max(0, at - 1)]; draw(); },
      Escape: toggle,
    };
    if (!acts[event.key]) return;
    event.preventDefault();
    event.stopPropagation();
    acts[event.key]();
  }

  choices();
  $("loupe-open").onclick = toggle;
  $("loupe-close").onclick = toggle;
  $("loupe-same").onchange = draw;
  $("loupe-canvas").addEventListener("keydown", keyed);
  return {
    keys: { l: toggle },
    stated: draw,
    moved: draw,
    /** @param {number[] | null} pointed */
    under(pointed) { if (pointed) { place = pointed; draw(); } },
    /** Outline what the loupe shows. @param {CanvasRenderingContext2D} at */
    marked(at) {
      if (!isOpen() || !picture?.pair) return;
      const { view, room: [width, height] } = desk.picture, [w, h] = picture.room.map((v) => (v / zoom) * view.zoom);
      const box = [(place[0] - view.x) * view.zoom + width / 2 - w / 2, (place[1] - view.y) * view.zoom + height / 2 - h / 2, w, h];
      at.lineWidth = 4; at.strokeStyle = "#000"; at.strokeRect(...box);
      at.lineWidth = 2; at.strokeStyle = "#fff"; at.strokeRect(...box);
    },
    get place() { return place; },
    get picture() { return picture; },
  };
}
