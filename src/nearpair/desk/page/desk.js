// The page: what the desk tells becomes controls, what a person does becomes decisions.

import { decide, listen, publish, readMap, readState, run, sort, stop } from "./api.js";
import { before } from "./before.js";
import { card } from "./card.js";
import { crop } from "./crop.js";
import { glasses, shortly } from "./glasses.js";
import { History } from "./history.js";
import { Lie } from "./lie.js";
import { loupe } from "./loupe.js";
import { maps } from "./maps.js";
import { cuts, drawCuts, drawProfile } from "./marks.js";
import { pairs } from "./pairs.js";
import { LOOKS, Picture, STILL } from "./picture.js";
import { source } from "./source.js";
import { arcmin, made, signed } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));
const history = new History();
const HAND = ["shift_px", "raise_px", "turn_deg", "scale"];
const PLACES = {
  window: "mounting", aspect: "mounting", crop: "mounting", floating: "mounting", base_share: "mounting",
  glasses: "colour", method: "colour", screen_width_mm: "viewing", distance_mm: "viewing", eyes_mm: "viewing",
  shift_px: "adjust", raise_px: "adjust", turn_deg: "adjust", scale: "adjust",
};
const REMOUNTS = new Set(["window", "pair", "aspect", "crop", "floating", "base_share", "left", "right", "screen_width_mm", "distance_mm", "eyes_mm", "retouches", ...HAND]);

let state = null;
let picture = null;
let shown = null;  // what is mounted, as it is shown
let map = null;
let changed = 0;
let jobNumber = -1;
let waiting = null;
let pending = Promise.resolve();
let turns = 0;
let remounts = false;
let clicked = 0;  // px that a click moved the window by, until the pair is mounted so

/** What the page lends to its parts. Each of them may give back `keys`, and be told when something was
 *  stated (`stated`), moved by hand before it is (`moved`), pointed at (`under`) or drawn (`marked`). */
const desk = {
  get state() { return state; }, get picture() { return picture; },
  get busy() { return turns > 0 || remounts || clicked !== 0; },
  change: (changes) => change(changes), say: (text) => say(text), put: (told) => { put(told); tell("moved"); }, preview: () => preview(), shown: () => shown, inTurn: (work) => inTurn(work), heard: (job) => heardJob(job),
};
/** @type {any[]} */ let parts = [];
const tell = (what, ...told) => parts.forEach((part) => (state?.begun || part === lent.card) && part[what]?.(...told));

/** @param {string} text */
const say = (text) => { $("said").textContent = text; };

/** Do one thing after the other; what goes wrong is said. */
function inTurn(work) {
  turns += 1;
  pending = pending.then(work).catch(async (error) => {
    say(error.message);
    if (error.status === 409) { history.clear(); await refresh(); }
  }).finally(() => { turns -= 1; });
  return pending;
}

async function refresh() {
  const known = state?.revision;
  state = await readState();
  if (known && state.revision !== known) history.clear();  // a step back would undo what others decided, too
  await draw();
}

async function draw() {
  $("name").textContent = state.name;
  document.title = `${state.name} \u2013 nearpair desk`;
  $("card").hidden = state.begun;
  $("stage").hidden = $("controls").hidden = !state.begun;
  if (state.trouble) say(`${state.trouble.message} ${state.trouble.remedy}`);
  if (!state.begun) { drawCard(); return; }
  if (!state.decisions) return;
  drawControls();
  if (state.pair) {
    if (!picture) { picture = new Picture($("canvas")); picture.ondrawn = mark; }
    if (shown?.pair.key !== state.pair.key) {
      const [rows, columns] = state.pair.map.size_px;
      map = await readMap(state.pair.key, rows * columns);
      clicked = 0;
    }
    const { pair, decisions, mixed, mixtures } = state;
    shown = { pair, map, decisions, mixed, mixture: mixtures[decisions.colour.method] ?? null, instead: mixtures["half-colour"] };
    put(shown);
    preview();
    under(null);
  }
  drawNumbers();
  drawResults();
  tell("stated");
}

/** Show a pair and its anaglyph: the one that is mounted, or an earlier one. @param {any} told */
function put({ pair, map: depth, mixture, instead, mixed }) {
  Object.assign(picture, { mixture, instead, mixed });
  if (picture.pair?.key === pair.key) picture.pair = pair;
  else picture.show(pair, depth);
  picture.hand = { ...STILL };
  picture.redraw();
}

function drawCard() {
  $("begin").disabled = !state.look || state.job.state === "running";
  if (!state.look) { $("card-words").textContent = `${state.sources.join(", ")}: not looked through yet.`; tell("stated"); return; }
  const { stations, eyes } = state.look;
  const sure = eyes ? ` Left eye: ${eyes.left}, right eye: ${eyes.right} (${Math.round(eyes.confidence * 100)} % sure).` : "";
  $("card-words").textContent = `${stations.length} stations.${sure}`;
  const names = ["as found", ...stations.map((s) => s.name)];
  fill($("card-left"), names, names.includes($("card-left").value) ? $("card-left").value : "as found");
  $("card-left").disabled = stations.length < 2;
  tell("stated");
}

/** A decision as it is written. @param {string} name */
const decided = (name) => (PLACES[name] ? state.decisions[PLACES[name]][name] : state.decisions[name]);

function drawControls() {
  for (const name of [...HAND, "aspect", "floating", "base_share", "screen_width_mm", "distance_mm", "eyes_mm"]) {
    if (document.activeElement !== $(name)) $(name).value = decided(name);
  }
  fill($("glasses"), state.glasses, decided("glasses"), shortly);
  fill($("method"), state.methods, decided("method"));
  const rules = { auto: "By itself", near: "On the nearest", far: "On the farthest" };
  const point = Array.isArray(decided("window"));
  $("window-rules").replaceChildren(...Object.entries(rules).map(([rule, words]) => made("button", {
    type: "button", ariaPressed: String(decided("window") === rule), onclick: () => change({ window: rule, shift_px: 0 }),
  }, words)), made("button", { type: "button", disabled: true, ariaPressed: String(point) }, point ? `On ${decided("window").map(Math.round).join(", ")}` : "On a point"));
  $("undo").disabled = !history.canUndo;
  $("redo").disabled = !history.canRedo;
  $("swap").disabled = !state.pair;
  for (const id of ["export", "proof", "publish"]) $(id).disabled = state.job.state === "running";
}

function fill(select, names, chosen, told = (name) => name) {
  if ([...select.options].map((o) => o.value).join() !== names.join()) {
    select.replaceChildren(...names.map((name) => made("option", { value: name }, told(name))));
  }
  select.value = chosen;
}

function drawNumbers() {
  const pair = state.pair, at = $("numbers");
  if (!pair) { at.textContent = "No pair is mounted yet."; return; }
  const shift = picture ? picture.hand.shift_px : 0;
  const { near_px: near, far_px: far, limits } = pair, distance = state.decisions.viewing.distance_mm;
  const told = (px) => (px === null ? "unknown" : `${signed(px + shift)} px (${signed(arcmin(px + shift, limits.px_per_mm, distance), 0)}\u2032)`);
  const over = [];
  if (near !== null && near + shift < limits.near_px) over.push("too near");
  if (far !== null && far + shift > limits.far_px) over.push("too far");
  const cut = mark.cut ?? { share: { left: 0, right: 0 } };
  for (const side of ["left", "right"]) if (cut.share[side] >= 0.01) over.push(`the ${side} side cuts what stands in front`);
  const rms = pair.mounting.residual_vertical_px.rms;
  at.replaceChildren(
    `Near ${told(near)}, far ${told(far)}; comfortable from ${signed(limits.near_px)} to ${signed(limits.far_px)} px. `,
    over.length ? made("span", { className: "bad" }, `${over.join(", ")}. `) : "",
    rms === null ? "" : `Rows agree to ${rms.toFixed(2)} px. `,
    `Window ${pair.mounting.window_rule}.`,
  );
}

function drawForms() {
  if ($("forms").childElementCount !== state.forms.length) {
    $("forms").replaceChildren(...state.forms.map((form) => made("label", { className: "form" },
      made("input", { type: "checkbox", value: form.name }),
      made("span", {}, made("strong", {}, form.name), `: ${form.what}. Needs ${form.needs}.`))));
  }
}

/** Sides that cut something, drawn over the picture and told. */
function mark() {
  const over = $("marks"), canvas = $("canvas");
  Object.assign(over.style, { width: `${canvas.clientWidth}px`, height: `${canvas.clientHeight}px` });
  if (over.width !== canvas.width || over.height !== canvas.height) { over.width = canvas.width; over.height = canvas.height; }
  const shift = picture.hand.shift_px, known = `${picture.pair.key} ${shift.toFixed(2)}`;
  if (mark.known !== known) { mark.cut = cuts(picture.pair, picture.map, shift); mark.known = known; }
  const at = over.getContext("2d");
  if (picture.beside) at.clearRect(0, 0, over.width, over.height);
  else {
    drawCuts(at, picture.box, mark.cut, picture.pair.map.size_px[0]);
    tell("marked", at);
  }
}

/** Depth under the pointer, and along its row. @param {number[] | null} place */
function under(place) {
  const [x, y, width, height] = state?.pair?.mounting.crop_px ?? [0, 0, 1, 1];
  if (!state?.pair) return;
  const inside = place && [(place[0] - x) / width, (place[1] - y) / height].every((v) => v >= 0 && v < 1);
  if (!inside) place = [x + width / 2, y + height / 2];
  const at = [(place[0] - x) / width, (place[1] - y) / height];
  drawProfile($("profile-canvas").getContext("2d"), picture.pair, picture.map, at[1], picture.hand.shift_px, at[0]);
  const parallax = picture.parallaxAt(place), { limits } = state.pair;
  $("profile-words").textContent = `At ${Math.round(place[0] - 0.5)}, ${Math.round(place[1] - 0.5)}: ` + (Number.isFinite(parallax)
    ? `${signed(parallax)} px (${signed(arcmin(parallax, limits.px_per_mm, state.decisions.viewing.distance_mm), 0)}\u2032). ` : "depth unknown. ")
    + "Along this row: near is below, the line is the window, the lighter band is comfortable.";
}

function drawResults() {
  drawForms();
  const results = $("results"), proof = state.proof;
  results.replaceChildren();
  $("verdict").textContent = proof ? `Proof: ${proof.verdict}` : "";
  if (proof) {
    results.append(made("h2", {}, `Proof: ${proof.verdict}`));
    results.append(made("ul", {}, ...proof.advice.map((a) => made("li", {}, `${a.text} ${a.remedy}`))));
    results.append(made("p", {}, made("a", { href: "/proof", target: "_blank", rel: "noopener" }, "The whole proof")));
  }
  if (state.files?.length) {
    results.append(made("h2", {}, "Exported"));
    results.append(made("ul", {}, ...state.files.map((name) => made("li", {}, made("a", { href: `/out/${name.split("/").map(encodeURIComponent).join("/")}`, download: name }, name)))));
  }
}

/** Decide something: shown at once, written at once, mounted as soon as the hand rests.
 *  @param {any} asked the changes, or what makes them of the decisions as they are when it is their turn
 *  @returns {Promise<boolean>} whether it was decided */
function change(asked, remembered = true) {
  return inTurn(async () => {
    say("");
    const changes = typeof asked === "function" ? asked(state.decisions) : asked;
    // another pair drops what was decided about the eyes of the one before
    const names = [...Object.keys(changes), ...(changes.pair ? ["left", "right"] : [])];
    const back = Object.fromEntries(names.map((name) => [name, decided(name)]));
    state = await decide(state.revision, changes);
    if (remembered) history.add(back, changes);
    changed = -1;
    await draw();
    remounts ||= Object.keys(changes).some((name) => REMOUNTS.has(name));
    clearTimeout(waiting);
    if (remounts) waiting = setTimeout(() => inTurn(mountNow), 350);
    return true;
  });
}

async function mountNow() {
  if (state.job.state === "running") { waiting = setTimeout(() => inTurn(mountNow), 350); return; }
  remounts = false;
  heardJob(await run("mount"));
}

/** The hand moves something: the picture follows before it is decided. @param {object} moved */
function nudge(moved) {
  if (!state?.pair || !picture) return;
  const values = Object.fromEntries(Object.entries(moved).map(([name, by]) => [name, Math.round((Number($(name).value) + by) * 1e4) / 1e4]));
  for (const [name, value] of Object.entries(values)) $(name).value = value;
  preview();
  clearTimeout(nudge.timer);
  nudge.timer = setTimeout(() => change(values), 250);
}

/** What the fields say against what the mounted pair holds. */
function preview() {
  if (!picture || !state?.pair) return;
  const mounted = state.pair.adjust;
  picture.hand = {
    shift_px: clicked || Number($("shift_px").value) - mounted.shift_px, raise_px: Number($("raise_px").value) - mounted.raise_px,
    turn_deg: Number($("turn_deg").value) - mounted.turn_deg, scale: Number($("scale").value) / mounted.scale,
  };
  picture.redraw();
  drawNumbers();
  tell("moved");
}

function heardJob(job) {
  const running = job.state === "running";
  if (state) state.job = job;
  $("bar").hidden = $("stop").hidden = !running;
  $("bar").max = Math.max(1, job.total);
  $("bar").value = job.done;
  if (running) say(job.what ? `${job.what}: ${job.done} of ${job.total}` : "Working.");
  for (const id of ["export", "proof", "publish"]) $(id).disabled = running;
  const ended = !running && job.state !== "none" && jobNumber !== job.number;
  if (ended) {
    jobNumber = job.number;
    const done = { mount: "", export: "Exported.", proof: "Proofed.", forms: "Made.", sort: "" }[job.name] ?? "";
    say(job.state === "done" ? done : `${job.message} ${job.remedy}`.trim());
    inTurn(refresh);
  }
}

function setUp() {
  const looks = Object.entries(LOOKS).map(([look, words]) => made("button", {
    type: "button", id: `look-${look}`, ariaChecked: String(look === "glasses"), onclick: () => lookAt(look),
  }, words));
  looks.forEach((button) => button.setAttribute("role", "radio"));
  $("looks").append(...looks);
  for (const name of [...HAND, "base_share", "screen_width_mm", "distance_mm", "eyes_mm"]) {
    $(name).addEventListener("change", () => Number.isFinite($(name).valueAsNumber) && change({ [name]: $(name).valueAsNumber }));
    if (HAND.includes(name)) $(name).addEventListener("input", preview);
  }
  for (const name of ["floating", "glasses", "method"]) $(name).addEventListener("change", () => change({ [name]: $(name).value.trim() }));
  // a shape that is asked for goes before a crop that was set by hand
  $("aspect").addEventListener("change", () => change({ aspect: $("aspect").value.trim(), ...(decided("crop") === "auto" ? {} : { crop: "auto" }) }));
  $("swap").onclick = () => { const { left, right } = eyesNow(); change({ left: right, right: left }); };
  $("undo").onclick = () => { const back = history.undo(); if (back) change(back, false); };
  $("redo").onclick = () => { const forth = history.redo(); if (forth) change(forth, false); };
  $("whole").onclick = () => picture?.fit();
  $("pixels").onclick = () => picture?.exact();
  $("export").onclick = () => inTurn(async () => heardJob(await run("export")));
  $("proof").onclick = () => inTurn(async () => heardJob(await run("proof")));
  $("begin").onclick = () => inTurn(async () => {
    const left = $("card-left").value;
    heardJob(await run("proof", left === "as found" ? {} : { left }));
  });
  $("publish").onclick = () => inTurn(async () => {
    const chosen = [...document.querySelectorAll("#forms input:checked")].map((box) => box.value);
    if (!chosen.length) { say("Choose a form first."); return; }
    heardJob(await publish(chosen));
  });
  $("stop").onclick = () => inTurn(stop);
  pointing($("canvas"));
  document.addEventListener("keydown", keyed);
}

const eyesNow = () => ({ left: state.pair.stations[0], right: state.pair.stations[1] });

function lookAt(look) {
  if (!picture) return;
  for (const name of Object.keys(LOOKS)) $(`look-${name}`).ariaChecked = String(name === look);
  const beside = picture.beside;
  picture.look = look;
  if (beside !== picture.beside) picture.fit();
  $("cue-word").textContent = look === "glasses" ? "on" : "off";
  clearInterval(lookAt.timer);
  picture.rock = 0;
  if (look === "rocking" && !matchMedia("(prefers-reduced-motion: reduce)").matches) {
    // at most one change in 0.7 s: far from the three flashes a second of WCAG 2.2, 2.3.1
    lookAt.timer = setInterval(() => { picture.rock = 1 - picture.rock; picture.redraw(); }, 700);
  } else if (look === "rocking") { picture.rock = 0.5; }
  picture.redraw();
  tell("looked");
}

function pointing(canvas) {
  let held = null;
  const at = (event) => { const box = canvas.getBoundingClientRect(), scale = canvas.width / box.width; return [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale]; };
  canvas.addEventListener("pointerdown", (event) => { held = { at: at(event), moved: false }; canvas.setPointerCapture(event.pointerId); });
  canvas.addEventListener("pointermove", (event) => {
    if (!picture) return;
    if (!held) { const place = picture.placeOf(at(event)); under(place); tell("under", place); return; }
    const now = at(event), [dx, dy] = [now[0] - held.at[0], now[1] - held.at[1]];
    if (!held.moved && Math.hypot(dx, dy) < 5) return;
    held.moved = true;
    held.at = now;
    picture.pan(dx, dy);
  });
  canvas.addEventListener("pointerup", (event) => {
    if (held && !held.moved) windowAt(picture?.placeOf(at(event)));
    held = null;
  });
  canvas.addEventListener("pointerleave", () => under(null));
  canvas.addEventListener("wheel", (event) => { event.preventDefault(); picture?.zoomBy(Math.exp(-event.deltaY / 400), at(event)); }, { passive: false });
}

/** Put the point of the left view at the window. */
function windowAt(place) {
  if (!place || !state?.pair) return;
  const parallax = picture.parallaxAt(place);
  if (!Number.isFinite(parallax)) { say("No depth is known there. Choose a point with structure that both eyes see."); return; }
  clicked = picture.hand.shift_px - parallax;
  preview();
  const lie = new Lie(state.pair);
  change({ window: lie.within(lie.toView(0, place)).map((v) => Math.round(v * 10) / 10), shift_px: 0 });
}

function keyed(event) {
  const typing = /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName);
  const by = event.shiftKey ? 0.1 : 1;
  const held = event.ctrlKey || event.metaKey;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (held && key === "z") { event.preventDefault(); (event.shiftKey ? $("redo") : $("undo")).click(); return; }
  if (held || event.altKey || typing) return;
  const acts = {
    ArrowLeft: () => nudge({ shift_px: -by }), ArrowRight: () => nudge({ shift_px: by }),
    ArrowUp: () => nudge({ raise_px: by }), ArrowDown: () => nudge({ raise_px: -by }),
    "+": () => picture?.zoomBy(1.25, picture.room.map((v) => v / 2)), "-": () => picture?.zoomBy(0.8, picture.room.map((v) => v / 2)),
    f: () => picture?.fit(), x: () => picture?.exact(),
  };
  parts.forEach((part) => Object.assign(acts, part.keys));
  Object.keys(LOOKS).forEach((look, k) => { acts[String(k + 1)] = () => lookAt(look); });
  if (event.target.closest?.("[role=radiogroup]") && event.key.startsWith("Arrow")) return;
  if (acts[key]) { event.preventDefault(); acts[key](); }
}

setUp();
const lent = { crop: crop(desk), loupe: loupe(desk), maps: maps(desk), before: before(desk), pairs: pairs(desk), card: card(desk), source: source(desk), glasses: glasses(desk) };
parts = Object.values(lent);
inTurn(async () => {
  await refresh();
  if (!state.begun && !state.look && state.sources.length) heardJob(await sort());
  else if (state.begun && !state.pair && state.job.state !== "running") heardJob(await run("mount"));
});
listen(({ job, changed: now }) => {
  heardJob(job);
  if (changed !== now && job.state !== "running") { changed = now; if (state) inTurn(refresh); }
});
// for scripts that drive the page
Object.defineProperties(desk, Object.getOwnPropertyDescriptors(lent));
Object.assign(window, { desk });
