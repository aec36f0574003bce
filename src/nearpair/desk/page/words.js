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
