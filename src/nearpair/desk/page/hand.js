// What a hand moves before it is decided: number fields, nudges by keys, and a point that is clicked.
// The picture follows at once; answers that come meanwhile never overwrite what the hand did since.

import { Lie } from "./lie.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));
const REST_MS = 250;

/** Decisions that a hand sets: the same as `[adjust]` in shoot.toml. */
export const HAND = ["shift_px", "raise_px", "turn_deg", "scale"];

/** @param {any} desk what the page lends to its parts @returns {any} */
export function hand(desk) {
  /** @type {Map<string, number>} values in the fields that no answer has confirmed */ const ahead = new Map();
  /** @type {Set<string>} those of them that are not sent yet */ const unsent = new Set();
  /** @type {{place: number[], window: number[], sent: boolean} | null} until the pair is mounted so */ let clicked = null;
  let timer = 0;

  /** What the fields say against what the mounted pair holds. */
  function preview() {
    const { picture, state } = desk;
    if (!picture || !state?.pair) return;
    const mounted = state.pair.adjust, field = (name) => Number($(name).value);
    let from = mounted.shift_px;
    if (clicked) {
      const parallax = picture.parallaxAt(clicked.place) - picture.hand.shift_px;
      if (Number.isFinite(parallax)) from = parallax;
    }
    picture.hand = {
      shift_px: field("shift_px") - from, raise_px: field("raise_px") - mounted.raise_px,
      turn_deg: field("turn_deg") - mounted.turn_deg, scale: field("scale") / mounted.scale,
    };
    picture.redraw();
    desk.moved();
  }

  /** @param {string} name @param {number} value */
  function put(name, value) { ahead.set(name, value); $(name).value = value; }

  /** @param {Record<string, number>} moved by how much */
  function nudge(moved) {
    if (!desk.state?.pair || !desk.picture) return;
    for (const [name, by] of Object.entries(moved)) {
      put(name, Math.round((Number($(name).value) + by) * 1e4) / 1e4);
      unsent.add(name);
    }
    preview();
    clearTimeout(timer);
    timer = setTimeout(send, REST_MS);
  }

  /** Decide what was nudged. */
  function send() {
    clearTimeout(timer);
    if (!unsent.size) return;
    const values = Object.fromEntries([...unsent].map((name) => [name, ahead.get(name)]));
    unsent.clear();
    desk.change(values);
  }

  /** Put the point of the left view at the window. @param {number[]} place */
  function click(place) {
    if (!place || !desk.state?.pair) return;
    if (!Number.isFinite(desk.picture.parallaxAt(place))) {
      desk.say("No depth is known there. Choose a point with structure that both eyes see.");
      return;
    }
    const lie = new Lie(desk.state.pair);
    clicked = { place, window: lie.within(lie.toView(0, place)).map((v) => Math.round(v * 10) / 10), sent: false };
    put("shift_px", 0);
    unsent.delete("shift_px");
    preview();
    desk.change({ window: clicked.window, shift_px: 0 });
  }

  /** These changes were decided. @param {any} changes */
  function answered(changes) {
    for (const [name, value] of Object.entries(changes)) if (ahead.get(name) === value && !unsent.has(name)) ahead.delete(name);
    if (!clicked || !("window" in changes)) return;
    if (changes.window === clicked.window) clicked.sent = true;
    else if (clicked.sent) clicked = null;  // decided after the click
  }

  for (const name of HAND) {
    $(name).addEventListener("input", preview);
    $(name).addEventListener("change", () => {
      const value = $(name).valueAsNumber;
      if (!Number.isFinite(value)) { $(name).value = desk.state.decisions.adjust[name]; preview(); return; }
      ahead.set(name, value);
      unsent.delete(name);
      desk.change({ [name]: value });
    });
  }
  window.addEventListener("pagehide", send);

  return {
    preview, nudge, send, click, answered,
    /** Nothing of the hand holds any longer: a decision was refused. */
    dropped() { ahead.clear(); unsent.clear(); clicked = null; },
    /** @param {boolean} mounts whether a pair will be mounted yet */
    settled(mounts) { if (clicked?.sent && !mounts) clicked = null; },
    /** What a field has to show. @param {string} name @param {number} decided */
    shown: (name, decided) => ahead.get(name) ?? decided,
    get busy() { return clicked !== null || unsent.size > 0; },
  };
}
