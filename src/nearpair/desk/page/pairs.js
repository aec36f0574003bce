// The contact sheet of all pairs that several stations can make: one is chosen by looking at it.

import { made, signed } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));

/** @param {any} desk what the page lends to its parts @returns {any} */
export function pairs(desk) {
  const sheet = /** @type {HTMLDialogElement} */ ($("sheet"));

  const listed = () => desk.state?.pairs ?? [];
  const isChosen = (one) => [one.left, one.right].sort().join() === [...(desk.state.pair?.stations ?? [])].sort().join();

  /** @param {any} one @returns {string[]} */
  function figures(one) {
    const lines = [one.verdict + (one.used_share === null || one.used_share === undefined ? "" : `, ${Math.round(100 * one.used_share)} % of the comfortable depth`)];
    if (one.near_arcmin != null) lines.push(`${signed(one.near_arcmin, 0)} to ${signed(one.far_arcmin, 0)} arcmin, relief ${Math.round(one.relief ?? 0)} of 100`);
    if (one.base_share != null) lines.push(`base ${one.base_share.toFixed(2)} of the widest${one.base_mm == null ? "" : `, ${one.base_mm.toFixed(1)} mm`}`);
    return lines;
  }

  function tile(one, number) {
    const name = `${one.left} + ${one.right}`, chosen = isChosen(one);
    const words = [made("strong", {}, chosen ? `${name}: on the desk` : name), ...figures(one)].map((line) => made("span", {}, line));
    return made("button", { type: "button", ariaPressed: String(chosen), onclick: () => choose([one.left, one.right]) },
      ...(one.picture ? [made("img", { src: `/pairs/${number}.png?${encodeURIComponent(desk.state.decisions.colour.glasses)}-${desk.state.pairs_key}`, alt: "", loading: "lazy" })] : []), ...words);
  }

  function choose(pair) {
    sheet.close();
    desk.change({ pair });
  }

  function open() {
    if (listed().length < 2 || sheet.open) return;
    $("sheet-pairs").replaceChildren(...listed().map(tile));
    $("sheet-auto").disabled = desk.state.decisions.pair.length === 0;
    sheet.showModal();
    ($("sheet-pairs").querySelector("[aria-pressed=true]") ?? $("sheet-pairs").firstElementChild)?.focus();
  }

  /** Arrow keys go from pair to pair. */
  function keyed(event) {
    event.stopPropagation();
    const tiles = [...$("sheet-pairs").children], at = tiles.indexOf(document.activeElement);
    const step = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1 }[event.key];
    if (at < 0 || !step) return;
    event.preventDefault();
    tiles[(at + step + tiles.length) % tiles.length].focus();
  }

  $("pairs-open").onclick = open;
  $("sheet-close").onclick = () => sheet.close();
  $("sheet-auto").onclick = () => choose([]);
  sheet.addEventListener("keydown", keyed);
  return {
    keys: { p: open },
    stated() {
      $("pairs").hidden = listed().length < 2;
      $("pair-now").textContent = desk.state.pair ? `${desk.state.pair.stations.join(" + ")}, ${desk.state.decisions.pair.length ? "as you chose" : "chosen by itself"}.` : "";
    },
  };
}
