// The glasses of the person at the desk: a calibration file, measured on the page that the desk lends.

import { keepGlasses } from "./api.js";

const MOST_BYTES = 16384;
const $ = (id) => /** @type {any} */ (document.getElementById(id));

/** @param {any} desk what the page lends to its parts @returns {any} */
export function glasses(desk) {
  async function bringIn() {
    const [file] = $("glasses-file").files;
    $("glasses-file").value = "";  // the same file may be chosen again once it was corrected
    if (!file) return;
    if (!/\.toml$/.test(file.name)) throw new Error(`${file.name}: the name of a calibration file ends with .toml. Choose the one that measuring saved.`);
    if (file.size > MOST_BYTES) throw new Error(`${file.name}: is too large for a calibration file. Choose the one that measuring saved.`);
    const { glasses: name } = await keepGlasses(file.name, await file.text());
    desk.change({ glasses: name });
  }

  $("glasses-bring").onclick = () => $("glasses-file").click();
  $("glasses-file").addEventListener("change", () => desk.inTurn(bringIn));
  return {};
}

/** Glasses as the list names them. @param {string} name */
export const shortly = (name) => (name.endsWith(".toml") ? `${/** @type {string} */ (name.split(/[\\/]/).pop()).slice(0, -5)}, measured` : name);
