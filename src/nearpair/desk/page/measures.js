// What is measured of the pair as the hand holds it: how near, how far, what is comfortable, what a side cuts.

import { arcmin, capital, made, signed } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));

/** How the views differed in light as they were shot, and what was done about it. @param {any} light */
function lightWords(light) {
  if (!light) return "";
  const note = capital(light.note);
  if (light.stops === null) return `${note}.`;
  const brightness = `${Math.abs(light.stops).toFixed(2)} stops ${light.stops < 0 ? "darker" : "lighter"}`;
  return `As shot, the right view is ${brightness}, and ${Math.round(100 * light.white_balance_shift)} % off in colour. ${note}.`;
}

/** @param {any} state @param {any} picture @param {{left: number, right: number}} share of each side that cuts something */
export function drawMeasures(state, picture, share) {
  const { pair } = state, shift = picture?.hand.shift_px ?? 0;
  const { near_px: near, far_px: far, limits } = pair, distance = state.decisions.viewing.distance_mm;
  const told = (px) => (px === null ? "unknown" : `${signed(px + shift)} px (${signed(arcmin(px + shift, limits.px_per_mm, distance), 0)} arcmin)`);
  const rms = pair.mounting.residual_vertical_px.rms;
  const rows = [
    ["Nearest (\u2212 in front)", told(near)], ["Farthest (+ behind)", told(far)],
    ["Comfortable", `${signed(limits.near_px)} to ${signed(limits.far_px)} px`],
    ...(rms === null ? [] : [["Rows agree to", `${rms.toFixed(2)} px`]]),
  ];
  $("measures").replaceChildren(...rows.map(([name, value]) => made("div", {}, made("dt", {}, name), made("dd", {}, value))));
  const rule = pair.mounting.window_rule;
  $("window-words").textContent = Array.isArray(state.decisions.mounting.window) ? "" : `${rule[0].toUpperCase()}${rule.slice(1)}.`;
  $("light-words").textContent = lightWords(pair.mounting.light);
  const over = [];
  if (near !== null && near + shift < limits.near_px) over.push("Nearer than is comfortable.");
  if (far !== null && far + shift > limits.far_px) over.push("Farther than is comfortable.");
  const sides = ["left", "right"].filter((side) => share[side] >= 0.01);
  if (sides.length) over.push(`The ${sides.join(" and the ")} side ${sides.length > 1 ? "cut" : "cuts"} what stands in front of the window (white bars).`);
  const words = over.join(" ");
  if ($("warnings").textContent !== words) $("warnings").replaceChildren(...(words ? [made("span", {}, words)] : []));
}
