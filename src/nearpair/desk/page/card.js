// The card: what was found on it, and frames that a person moves between stations or sets aside.

import { move } from "./api.js";
import { made, prose } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));
const ASIDE = "";
const ORDERS = { "near-to-far": ", from near to far", "far-to-near": ", from far to near" };
const KINDS = { rail: ", moved on a rail", ring: ", by the focus ring" };

/** @param {any} desk what the page lends to its parts @returns {any} */
export function card(desk) {
  /** @type {Set<string>} */ const chosen = new Set();
  let drawn = "";

  /** Files of each group: the stations, and what was set aside and can be read. @returns {[string, string, string[]][]} */
  function groups() {
    const { look, moved } = desk.state;
    const aside = look.set_aside.filter((one) => look.readable.includes(one.file)).map((one) => one.file);
    const eye = (name) => (look.eyes?.left === name ? "left eye, " : look.eyes?.right === name ? "right eye, " : "");
    return [...look.stations.map((s, k) => [s.name, `${eye(s.name)}${s.frames.length} frames${ORDERS[s.order] ?? ""}${KINDS[s.kind] ?? ""}`, look.files[k]]),
      [ASIDE, aside.length || Object.keys(moved).length ? "Frames that are not used." : "Nothing is set aside.", aside]];
  }

  function tile(file) {
    const { moved } = desk.state, name = file.split("/").at(-1), label = `${name}${file in moved ? ", moved by you" : ""}`;
    const button = made("button", { type: "button", className: "shot", draggable: true, ariaPressed: String(chosen.has(file)), title: file,
      onclick: () => pick(file, button) },
      made("img", { src: `/shot/${file.split("/").map(encodeURIComponent).join("/")}`, alt: "", loading: "lazy", draggable: false }), made("span", {}, label));
    button.dataset.file = file;
    button.addEventListener("dragstart", (event) => {
      if (!chosen.has(file)) { chosen.clear(); chosen.add(file); marks(); }
      event.dataTransfer.setData("text/plain", file);
      event.dataTransfer.effectAllowed = "move";
    });
    return button;
  }

  function pick(file) {
    if (!chosen.delete(file)) chosen.add(file);
    marks();
  }

  function marks() {
    for (const shot of document.querySelectorAll(".shot")) shot.ariaPressed = String(chosen.has(shot.dataset.file));
    const count = chosen.size;
    $("move-words").textContent = count ? `${count} ${count === 1 ? "frame" : "frames"} chosen. Move to:` : "Something in the wrong place? Choose frames, then where they go; or drag them.";
    for (const button of $("move-to").querySelectorAll("button:not(#move-back)")) button.disabled = !count;
  }

  function send(to) {
    const files = [...chosen];
    if (!files.length) return;
    chosen.clear();
    desk.inTurn(async () => desk.heard(await move(Object.fromEntries(files.map((file) => [file, to])))));
  }

  function group([name, words, files]) {
    const shown = made("section", { className: "station", ariaLabel: name || "Set aside" },
      made("h3", {}, name || "Set aside"), made("p", { className: "hint" }, words), made("div", { className: "shots" }, ...files.map(tile)));
    shown.addEventListener("dragover", (event) => { event.preventDefault(); shown.classList.add("over"); });
    shown.addEventListener("dragleave", () => shown.classList.remove("over"));
    shown.addEventListener("drop", (event) => { event.preventDefault(); shown.classList.remove("over"); send(name); });
    return shown;
  }

  function stated() {
    const { begun, look, moved } = desk.state;
    if (begun || !look) return;
    const now = JSON.stringify([look.files, look.set_aside, moved]);
    if (now === drawn) return;
    drawn = now;
    const all = groups();
    $("stations").replaceChildren(...all.map(group));
    $("move-to").replaceChildren(...all.map(([name]) => made("button", { type: "button", onclick: () => send(name) }, name || "Set aside")),
      made("button", { type: "button", id: "move-back", onclick: () => desk.inTurn(async () => desk.heard(await move(null))), hidden: !Object.keys(moved).length }, "As found"));
    $("move").hidden = false;
    const told = [...look.notes, ...look.set_aside.map((one) => `${one.file}: ${one.reason}`)];
    $("card-notes").replaceChildren(...told.map((text) => made("li", {}, ...prose(text))));
    $("card-why").hidden = !told.length;
    marks();
  }

  /** Arrow keys go from frame to frame. */
  $("stations").addEventListener("keydown", (event) => {
    const shots = [...document.querySelectorAll(".shot")], at = shots.indexOf(document.activeElement);
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (at < 0 || !step) return;
    event.preventDefault();
    event.stopPropagation();
    shots[(at + step + shots.length) % shots.length].focus();
  });
  return { stated };
}
