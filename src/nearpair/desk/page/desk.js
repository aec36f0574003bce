// The page: what the desk tells becomes controls, what a person does becomes decisions.

import { decide, listen, makeAgain, publish, readMap, readState, run, sort, stop } from "./api.js";
import { before } from "./before.js";
import { card } from "./card.js";
import { crop } from "./crop.js";
import { glasses, shortly } from "./glasses.js";
import { HAND, hand as handOf } from "./hand.js";
import { History } from "./history.js";
import { loupe } from "./loupe.js";
import { maps } from "./maps.js";
import { cuts, drawCuts, drawProfile } from "./marks.js";
import { drawMeasures } from "./measures.js";
import { pairs } from "./pairs.js";
import { LOOKS, Picture, STILL } from "./picture.js";
import { chosenForms, drawResults } from "./results.js";
import { source } from "./source.js";
import { arcmin, made, METHOD_WORDS, prose, signed } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));
const history = new History();
const PLACES = {
  window: "mounting", aspect: "mounting", crop: "mounting", floating: "mounting", base_share: "mounting", light: "mounting",
  glasses: "colour", method: "colour", screen_width_mm: "viewing", distance_mm: "viewing", eyes_mm: "viewing",
  shift_px: "adjust", raise_px: "adjust", turn_deg: "adjust", scale: "adjust",
};
const REMOUNTS = new Set(["window", "pair", "aspect", "crop", "floating", "base_share", "light", "left", "right", "screen_width_mm", "distance_mm", "eyes_mm", "retouches", ...HAND]);

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
let awaited = "";  // work that a person asked for, to see what comes of it
let stage = "";  // what the work that runs is at
let troubled = "";  // what was wrong with shoot.toml when it was last read

/** What the page lends to its parts. Each of them may give back `keys`, and be told when something was
 *  stated (`stated`), moved by hand before it is (`moved`), pointed at (`under`) or drawn (`marked`). */
const desk = {
  get state() { return state; }, get picture() { return picture; },
  get busy() { return turns > 0 || remounts || hand.busy; },
  change: (changes) => change(changes), say: (text) => say(text), put: (told) => { put(told); tell("moved"); }, preview: () => hand.preview(), shown: () => shown, inTurn: (work) => inTurn(work), heard: (job) => heardJob(job),
  moved: () => { drawNumbers(); tell("moved"); },
  /** One tool at a time: another one that is open is closed, and that is said. @param {string} name */
  alone: (name) => { for (const [other, part] of Object.entries(lent)) if (other !== name && part.leave?.()) say(part.left); },
};
const hand = handOf(desk);
/** @type {any[]} */ let parts = [];
const tell = (what, ...told) => parts.forEach((part) => (state?.begun || part === lent.card) && part[what]?.(...told));

/** @param {string} text */
const say = (text) => { $("said").textContent = text; };

/** Do one thing after the other; what goes wrong is said. */
function inTurn(work) {
  turns += 1;
  pending = pending.then(work).catch(async (error) => {
    say(error.message);
    if (error.status === 409) await refresh();
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
  $("cue").hidden = $("keys-open").hidden = !state.begun;
  $("stage").hidden = !state.begun;
  $("controls").hidden = !state.begun || !(state.pair || picture);
  $("controls").inert = !state.decisions;  // until shoot.toml can be read again
  const trouble = state.trouble ? `${state.trouble.message} ${state.trouble.remedy}` : "";
  if (trouble || $("said").textContent === troubled) say(trouble);
  troubled = trouble;
  if (!state.begun) { drawCard(); return; }
  if (!state.decisions) return;
  drawControls();
  if (state.pair) {
    if (!picture) { picture = new Picture($("canvas")); picture.ondrawn = mark; $("plainly").hidden = !picture.composite.isPlain; }
    const [, , wide, high] = state.pair.mounting.crop_px;
    document.documentElement.style.setProperty("--aspect", String(wide / high));
    if (shown?.pair.key !== state.pair.key) {
      const [rows, columns] = state.pair.map.size_px;
      map = await readMap(state.pair.key, rows * columns);
    }
    const { pair, decisions, mixed, mixtures } = state;
    shown = { pair, map, decisions, mixed, mixture: mixtures[decisions.colour.method] ?? null, instead: mixtures["half-colour"] };
    put(shown);
    hand.settled(remounts || state.job.state === "running");
    hand.preview();
    under(null);
  }
  drawNothing();
  drawNumbers();
  drawResults(state, change, () => inTurn(async () => { awaited = "again"; heardJob(await makeAgain()); }));
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
  const { job, look } = state, running = job.state === "running", pair = look?.stations.length > 1;
  $("card-to").textContent = `The frames are only read. The shoot will be made in ${state.root}.`;
  $("card-left").parentElement.hidden = $("begin").hidden = !pair;
  $("again").hidden = pair || running || job.state === "none";
  $("begin").disabled = running || !pair;
  $("card-words").replaceChildren(...prose(cardWords(job, look)));
  if (pair) {
    const names = ["as found", ...look.stations.map((s) => s.name)];
    fill($("card-left"), names, names.includes($("card-left").value) ? $("card-left").value : "as found");
  }
  tell("stated");
}

/** What was found on the card, and what to do now. */
function cardWords(job, look) {
  const where = state.sources.join(", ");
  if (!look && (job.state === "running" || job.state === "none")) return `Looking through ${where}: which frames belong together, and which eye they are for. Nothing is written yet.`;
  if (!look) return `${job.message} ${job.remedy} When it is put right, look again; or end the desk with Ctrl-C where it was started and give another folder: \`nearpair desk FOLDER --to ${state.name}\`.`;
  const { stations, eyes } = look;
  if (stations.length < 2) return `Only one station was found: ${stations[0].frames.length} frames from one place. A pair needs two. If the frames of both eyes are here, put each stack in a folder of its own; then end the desk with Ctrl-C where it was started and give both: \`nearpair desk LEFT RIGHT --to ${state.name}\`.`;
  const sure = eyes ? ` Left eye: ${eyes.left}, right eye: ${eyes.right} (${Math.round(eyes.confidence * 100)} % sure).${eyes.contradiction ? ` But ${eyes.contradiction}. If that is wrong, choose the left eye yourself.` : ""}` : "";
  return `${stations.length} stations.${sure} Look whether the frames are where they belong, then merge and mount them.`;
}

/** A decision as it is written. @param {string} name */
const decided = (name) => (PLACES[name] ? state.decisions[PLACES[name]][name] : state.decisions[name]);

function drawControls() {
  for (const name of [...HAND, "aspect", "floating", "base_share", "light", "screen_width_mm", "distance_mm", "eyes_mm"]) {
    if (document.activeElement !== $(name)) $(name).value = hand.shown(name, decided(name));
  }
  fill($("glasses"), state.glasses, decided("glasses"), shortly);
  fill($("method"), state.methods, decided("method"));
  $("method-words").textContent = METHOD_WORDS[decided("method")] ?? "";
  const rules = { auto: "Automatic", near: "At the nearest", far: "At the farthest" };
  const point = Array.isArray(decided("window"));
  $("window-rules").replaceChildren(...Object.entries(rules).map(([rule, words]) => made("button", {
    type: "button", ariaPressed: String(decided("window") === rule), onclick: () => change({ window: rule, shift_px: 0 }),
  }, words)), made("button", { type: "button", ariaPressed: String(point), onclick: () => say("Click the point in the picture.") },
    point ? `At ${decided("window").map(Math.round).join(", ")}` : "At a point"));
  $("undo").disabled = !history.canUndo;
  $("redo").disabled = !history.canRedo;
  $("swap").disabled = !state.pair;
  disableWork(state.job.state === "running");
}

/** Buttons that begin long work, while other work runs. @param {boolean} running */
function disableWork(running) {
  for (const id of ["export", "proof", "publish", "older-again"]) if ($(id)) $(id).disabled = running;
}

function fill(select, names, chosen, told = (name) => name) {
  if ([...select.options].map((o) => o.value).join() !== names.join()) {
    select.replaceChildren(...names.map((name) => made("option", { value: name }, told(name))));
  }
  select.value = chosen;
}

/** What to do where there is no picture. */
function drawNothing() {
  const running = state.job.state === "running";
  $("nothing").hidden = Boolean(state.pair);
  $("go-on").hidden = running;
  $("nothing-words").textContent = running ? "The picture appears here as soon as the pair is mounted. You may stop meanwhile; nothing is lost." : "No pair is mounted yet.";
}

function drawNumbers() {
  $("numbers").hidden = $("profile").hidden = $("under").hidden = !state.pair;
  if (state.pair) drawMeasures(state, picture, mark.cut?.share ?? { left: 0, right: 0 });
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
  drawProfile($("profile-canvas"), picture.pair, picture.map, at[1], picture.hand.shift_px, at[0]);
  const parallax = picture.parallaxAt(place), { limits } = state.pair;
  $("profile-words").textContent = `Depth along the row through ${Math.round(place[0] - 0.5)}, ${Math.round(place[1] - 0.5)}: ` + (Number.isFinite(parallax)
    ? `parallax ${signed(parallax)} px (${signed(arcmin(parallax, limits.px_per_mm, state.decisions.viewing.distance_mm), 0)} arcmin) there.` : "unknown there.");
}

/** Decide something: shown at once, written at once, mounted as soon as the hand rests.
 *  @param {any} asked the changes, or what makes them of the decisions as they are when it is their turn
 *  @returns {Promise<boolean>} whether it was decided */
function change(asked, remembered = true) { return inTurn(() => changeNow(asked, remembered)); }

/** @param {any} asked @param {boolean} remembered whether it can be taken back */
async function changeNow(asked, remembered) {
  say("");
  const changes = typeof asked === "function" ? asked(state.decisions) : asked;
  // another pair drops what was decided about the eyes of the one before
  const names = [...Object.keys(changes), ...(changes.pair ? ["left", "right"] : [])];
  const back = Object.fromEntries(names.map((name) => [name, decided(name)]));
  try {
    state = await decide(state.revision, changes);
  } catch (error) {
    hand.dropped();
    if (error.status === 409) history.clear();
    else if (error.status) await refresh();
    throw error;
  }
  hand.answered(changes);
  if (remembered) history.add(back, changes);
  changed = -1;
  remounts ||= Object.keys(changes).some((name) => REMOUNTS.has(name));
  await draw();
  clearTimeout(waiting);
  if (remounts) waiting = setTimeout(() => inTurn(mountNow), 350);
  return true;
}

/** Take a step back, or do it again; what the hand has just done counts. @param {"undo" | "redo"} which */
function step(which) {
  hand.send();
  inTurn(async () => {
    const changes = history[which]();
    if (changes) await changeNow(changes, false);
  });
}

async function mountNow() {
  if (state.job.state === "running") { waiting = setTimeout(() => inTurn(mountNow), 350); return; }
  remounts = false;
  heardJob(await run("mount"));
}

function heardJob(job) {
  const running = job.state === "running";
  if (job.number < (state?.job.number ?? 0)) return;  // heard too late
  if (state) state.job = job;
  $("bar").hidden = $("stop").hidden = !running;
  if (state?.begun) drawNothing();
  if (running && !state?.pair && job.what !== stage) inTurn(refresh);  // the pair may be there before the work is done
  stage = job.what;
  $("bar").max = Math.max(1, job.total);
  $("bar").value = job.done;
  if (jobNumber < 0) {  // what ended before this page was opened is no news
    jobNumber = running ? 0 : job.number;
    if (job.state === "failed" || job.state === "stopped") say(`${job.message} ${job.remedy}`.trim());
  }
  if (running) say(job.what ? `${job.what}: ${job.done} of ${job.total}` : "Working\u2026");
  disableWork(running);
  const ended = !running && job.state !== "none" && jobNumber !== job.number;
  if (ended) {
    jobNumber = job.number;
    const done = { mount: "", export: "Exported.", proof: "Proofed.", forms: "Made.", again: "Made again.", sort: "" }[job.name] ?? "";
    const told = job.name === "sort" && job.state === "failed" && !state.look;  // on the card's page itself
    say(job.state === "done" || told ? done : `${job.message} ${job.remedy}`.trim());
    inTurn(refresh);
    if (job.state === "done" && awaited === job.name) inTurn(async () => $("results").scrollIntoView({ block: "start" }));
    if (awaited === job.name) awaited = "";
  }
}

function setUp() {
  const looks = Object.entries(LOOKS).map(([look, words]) => made("button", {
    type: "button", id: `look-${look}`, ariaChecked: String(look === "glasses"), onclick: () => lookAt(look),
  }, words));
  looks.forEach((button) => button.setAttribute("role", "radio"));
  $("looks").append(...looks);
  for (const name of ["base_share", "screen_width_mm", "distance_mm", "eyes_mm"]) {
    $(name).addEventListener("change", () => Number.isFinite($(name).valueAsNumber) && change({ [name]: $(name).valueAsNumber }));
  }
  for (const name of ["floating", "light", "glasses", "method"]) $(name).addEventListener("change", () => change({ [name]: $(name).value.trim() }));
  // a shape that is asked for goes before a crop that was set by hand
  $("aspect").addEventListener("change", () => change({ aspect: $("aspect").value.trim(), ...(decided("crop") === "auto" ? {} : { crop: "auto" }) }));
  $("swap").onclick = () => { const { left, right } = eyesNow(); change({ left: right, right: left }); };
  $("undo").onclick = () => step("undo");
  $("redo").onclick = () => step("redo");
  $("keys-open").onclick = () => $("keys").showModal();
  $("keys-close").onclick = () => $("keys").close();
  $("whole").onclick = () => picture?.fit();
  $("pixels").onclick = () => picture?.exact();
  const start = (name) => inTurn(async () => { awaited = name; heardJob(await run(name)); });
  $("export").onclick = () => start("export");
  $("go-on").onclick = () => inTurn(async () => heardJob(await run("proof")));
  $("proof").onclick = () => start("proof");
  $("begin").onclick = () => inTurn(async () => {
    const left = $("card-left").value;
    heardJob(await run("proof", left === "as found" ? {} : { left }));
  });
  $("publish").onclick = () => inTurn(async () => {
    const chosen = chosenForms();
    if (!chosen.length) { say("Choose a form first."); return; }
    awaited = "forms";
    heardJob(await publish(chosen));
  });
  $("again").onclick = () => inTurn(async () => heardJob(await sort()));
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
  $("cue").classList.toggle("on", look === "glasses");
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
    if (held && !held.moved) hand.click(picture?.placeOf(at(event)));
    held = null;
  });
  canvas.addEventListener("pointerleave", () => under(null));
  canvas.addEventListener("wheel", (event) => { event.preventDefault(); picture?.zoomBy(Math.exp(-event.deltaY / 400), at(event)); }, { passive: false });
}

function keyed(event) {
  const typing = /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName);
  const by = event.shiftKey ? 0.1 : 1;
  const held = event.ctrlKey || event.metaKey;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (held && key === "z") { event.preventDefault(); step(event.shiftKey ? "redo" : "undo"); return; }
  if (held || event.altKey || typing || document.querySelector("dialog[open]")) return;
  const acts = {
    ArrowLeft: () => hand.nudge({ shift_px: -by }), ArrowRight: () => hand.nudge({ shift_px: by }),
    ArrowUp: () => hand.nudge({ raise_px: by }), ArrowDown: () => hand.nudge({ raise_px: -by }),
    "+": () => picture?.zoomBy(1.25, picture.room.map((v) => v / 2)), "-": () => picture?.zoomBy(0.8, picture.room.map((v) => v / 2)),
    f: () => picture?.fit(), x: () => picture?.exact(), "?": () => $("keys").showModal(),
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
  else if (state.begun && !state.pair && state.job.state !== "running") heardJob(await run("proof"));
});
listen(({ job, changed: now }) => {
  heardJob(job);
  if (changed !== now && job.state !== "running") { changed = now; if (state) inTurn(refresh); }
});
// for scripts that drive the page
Object.defineProperties(desk, Object.getOwnPropertyDescriptors(lent));
Object.assign(window, { desk });
