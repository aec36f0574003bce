// The picture as it was before the last change, and what differs.

import { NAMES, signed } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));
const PARTS = ["mounting", "adjust", "viewing", "colour"];

/** @param {any} value */
const said = (value) => (Array.isArray(value) ? value.map((v) => (typeof v === "number" ? Math.round(v) : v)).join(", ") : String(value));

/** What differs between two pictures, in words. @param {any} before @param {any} after @returns {string[]} */
export function differences(before, after) {
  const found = [];
  const tell = (name, was, is) => { if (said(was) !== said(is)) found.push(`${name} ${said(was)}, now ${said(is)}`); };
  tell("left and right eye", before.pair.stations, after.pair.stations);
  for (const part of PARTS) {
    for (const [name, is] of Object.entries(after.decisions[part])) tell(NAMES[name] ?? name, before.decisions[part][name], is);
  }
  tell("size, px", before.pair.mounting.crop_px.slice(2), after.pair.mounting.crop_px.slice(2));
  for (const [name, key] of [["near, px", "near_px"], ["far, px", "far_px"]]) tell(name, signed(before.pair[key]), signed(after.pair[key]));
  return found;
}

/** @param {any} desk what the page lends to its parts @returns {any} */
export function before(desk) {
  let now = null, earlier = null, held = false;

  function stated() {
    const told = desk.shown();
    if (!told) return;
    const name = `${told.pair.key} ${told.mixed}`;
    if (now?.name !== name) { earlier = now; now = { ...told, name }; }
    if (held) { held = false; desk.put(now); }
    words();
  }

  function words() {
    const moving = desk.picture && !desk.picture.still;
    $("before").disabled = !earlier && !moving && !held;
    $("before").ariaPressed = String(held);
    document.body.classList.toggle("before", held);
    const list = earlier ? differences(earlier, now) : [];
    const what = list.length ? `${list.join("; ")}.` : "";
    $("before-words").textContent = held ? `This is before. ${what && `Since then: ${what}`}` : "";
    $("before").title = `As it was before the last change. Key: hold b. ${what && `Last change: ${what}`}`;
  }

  /** @param {boolean} on */
  function hold(on) {
    if (on === held || !desk.picture?.pair) return;
    // what a hand moves has not been mounted: before is what is mounted
    const was = desk.picture.still ? earlier : now;
    if (on && !was) return;
    held = on;
    if (on) desk.put(was);
    else { desk.put(now); desk.preview(); }
    words();
  }

  document.addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "b") hold(false); });
  window.addEventListener("blur", () => hold(false));
  $("before").onclick = () => hold(!held);
  return { keys: { b: () => hold(true) }, stated, moved: words, get held() { return held; }, get earlier() { return earlier; } };
}
