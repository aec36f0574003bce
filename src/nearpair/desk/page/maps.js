// What the colours of the depth map and of the focus map mean, and what they say under the pointer.

import { readFocus } from "./api.js";
import { made, signed } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));
const DIGITS = 3;  // of mm

/** @param {number} mm */
const inMm = (mm) => `${signed(Number(mm.toPrecision(DIGITS)), Math.max(0, DIGITS - 1 - Math.floor(Math.log10(Math.abs(mm) || 1))))} mm`;

/** @param {any} desk what the page lends to its parts @returns {any} */
export function maps(desk) {
  let key = "", focus = null;

  /** Read the map of frames once it is looked at. */
  async function read() {
    const { pair } = desk.state;
    if (key === pair.key) return;
    key = pair.key;
    focus = null;
    const [rows, columns] = pair.map.size_px;
    const found = await readFocus(pair.key, rows * columns);
    if (key === pair.key) focus = found;
  }

  function look() {
    const name = desk.picture?.look, told = desk.state?.legends?.[name];
    $("legend").hidden = !told;
    if (!told) return;
    if (name === "focus") read().catch((error) => desk.say(error.message));
    const canvas = $("legend-scale"), at = canvas.getContext("2d");
    const scale = at.createLinearGradient(0, 0, canvas.width, 0);
    told.stops.forEach(([, colour], k) => scale.addColorStop(k / (told.stops.length - 1), colour));
    at.fillStyle = scale;
    at.fillRect(0, 0, canvas.width, canvas.height);
    const [far, middle, near] = (name === "focus" ? frames : depths)(told);
    $("legend-ends").replaceChildren(made("span", {}, far), made("span", {}, middle), made("span", {}, near));
  }

  function depths({ stops, near_mm: near, far_mm: far }) {
    const [first, last] = [stops[0][0], stops.at(-1)[0]];
    return [`Far ${signed(first)} px${far === null ? "" : `, ${inMm(far)}`}`, "behind the window +, in front \u2212",
      `Near ${signed(last)} px${near === null ? "" : `, ${inMm(near)}`}`];
  }

  function frames({ stops, frames: files, order, step_mm: step, station }) {
    const at = (frame) => `frame ${frame + 1}${step === null ? "" : `, ${inMm(frame * step)}`}`;
    const ends = order === "unknown" ? ["", ""] : ["Far, ", "Near, "];
    return [`${ends[0]}${at(Math.round(stops[0][0]))}`, `${station}, ${files.length} frames`, `${ends[1]}${at(Math.round(stops.at(-1)[0]))}`];
  }

  /** @param {number[] | null} place of the left view */
  function under(place) {
    const told = desk.state?.legends?.focus, pair = desk.state?.pair;
    if (desk.picture?.look !== "focus" || !focus || !place || !pair) { $("legend-here").textContent = ""; return; }
    const [rows, columns] = pair.map.size_px, cell = pair.map.factor, [x, y] = pair.mounting.crop_px;
    const column = Math.floor((place[0] - x) / cell), row = Math.floor((place[1] - y) / cell);
    const frame = column >= 0 && row >= 0 && column < columns && row < rows ? focus[row * columns + column] : NaN;
    const file = told.frames[Math.round(frame)];
    $("legend-here").textContent = Number.isFinite(frame)
      ? `Here: sharpest in frame ${(frame + 1).toFixed(1)} of ${told.station}${file ? ` (${file})` : ""}${told.step_mm === null ? "" : `, ${inMm(frame * told.step_mm)} from the first`}.`
      : "Here: nothing tells which frame is sharpest.";
  }

  $("legend-over").oninput = () => { desk.picture.over = $("legend-over").valueAsNumber; desk.picture.redraw(); };
  return { stated: look, looked: look, under };
}
