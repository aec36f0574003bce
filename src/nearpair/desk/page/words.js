// Numbers as people read them.

/** @param {number} px @param {number} perMm @param {number} distanceMm */
export function arcmin(px, perMm, distanceMm) {
  return (Math.atan(px / perMm / distanceMm) * 180 * 60) / Math.PI;
}

/** @param {number | null} value @param {number} digits */
export function signed(value, digits = 1) {
  if (value === null || !Number.isFinite(value)) return "?";
  const text = Math.abs(value).toFixed(digits);
  if (Number(text) === 0) return text;
  return (value < 0 ? "\u2212" : "+") + text;
}

/** @param {string} tag @param {object} [set] @param {(Node | string)[]} children */
export function made(tag, set = {}, ...children) {
  const node = Object.assign(document.createElement(tag), set);
  node.append(...children);
  return node;
}

/** Decisions as people call them. @type {Record<string, string>} */
export const NAMES = {
  window: "window", aspect: "shape", crop: "crop", floating: "floating window", base_share: "share of the base", light: "light of the views", shift_px: "moved by hand, px",
  raise_px: "raised, px", turn_deg: "turned clockwise, \u00b0", scale: "enlarged, times", glasses: "glasses", method: "method",
  screen_width_mm: "picture width, mm", distance_mm: "viewing distance, mm", eyes_mm: "between the pupils, mm",
};

/** @type {Record<string, string>} */
const DEEDS = {
  "window auto": "place the window automatically", "window near": "put the window at the nearest", "window far": "put the window at the farthest",
  "floating auto": "float it where a side cuts", "light even": "even the light of both views",
};

/** What deciding something does, as words on a button. @param {string} name @param {string | number} value */
export function deed(name, value) {
  if (name === "method") return `mix by ${value}`;
  if (name === "base_share") return `use ${Math.round(100 * Number(value))} % of the base`;
  return DEEDS[`${name} ${value}`] ?? `${NAMES[name] ?? name}: ${value}`;
}

/** @param {string} text */
export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** Text in which `marks` set off what is typed. @param {string} text @returns {(Node | string)[]} */
export const prose = (text) => text.trim().split("`").map((part, k) => (k % 2 ? made("code", {}, part) : part));

/** What each method of mixing does, in short. */
export const METHOD_WORDS = {
  colour: "Each eye's colours straight from its picture: most colour, most rivalry.",
  "half-colour": "One eye sees grey: less rivalry, softer reds.",
  grey: "Both eyes see grey: no rivalry of colours.",
  "least-squares": "One mixture for all colours, closest to the pair without glasses.",
  "local-desaturation": "As colour, but paler where the eyes could not agree.",
  cielab: "For every pixel the colours closest for each eye; slow.",
  matched: "For every colour the one closest once both eyes are fused; ghosts are taken back.",
};
