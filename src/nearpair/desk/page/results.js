// What was made: the proof's verdict and advice, files to save, and forms to choose among.

import { capital, deed, made, prose } from "./words.js";

const $ = (id) => /** @type {any} */ (document.getElementById(id));

/** @param {any} state @param {(changes: object) => void} change @param {() => void} again makes older files anew */
export function drawResults(state, change, again) {
  drawForms(state.forms);
  const { proof, files } = state, results = $("results");
  $("verdict").textContent = proof ? `Proof: ${proof.verdict}` : "";
  results.replaceChildren();
  const offered = new Set();  // a remedy for several findings has one button
  const fresh = (fix) => { const name = JSON.stringify(fix), isNew = !offered.has(name); offered.add(name); return isNew; };
  if (proof) {
    results.append(made("h2", {}, `Proof: ${proof.verdict}`));
    if (proof.advice.length) results.append(made("ul", {}, ...proof.advice.map((a) => made("li", {}, ...prose(`${a.text} ${a.remedy}`), remedies(a.fixes.filter(fresh), change)))));
    results.append(made("a", { href: "/proof", target: "_blank", rel: "noopener" }, "The whole proof, with pictures"));
  }
  if (!proof && state.pair) results.append(made("p", { className: "hint" }, "There is no proof of the pair as it is now. Proof measures it and gives advice."));
  if (files?.length) {
    results.append(made("h2", {}, "Exported"));
    const older = state.older ?? {}, reasons = new Set(Object.values(older));
    results.append(...olderFiles(state, reasons.size === 1 ? `: ${[...reasons][0]}` : "", again));
    results.append(made("ul", {}, ...files.map((name) => made("li", {}, made("a", { href: `/out/${name.split("/").map(encodeURIComponent).join("/")}`, download: name }, name),
      ...(older[name] ? [made("span", { className: "older" }, ` older${reasons.size > 1 ? `: ${older[name]}` : ""}`)] : [])))));
  }
}

/** What to say, and to do, if files show an earlier state of the picture. @param {any} state @param {string} why of all @param {() => void} again */
function olderFiles(state, why, again) {
  const count = Object.keys(state.older ?? {}).length;
  if (!count) return [];
  const what = count === 1 ? "1 file shows" : `${count} files show`;
  return [made("p", { className: "older" }, `${what} an earlier state of the picture${why}.`),
    made("button", { type: "button", id: "older-again", disabled: state.job.state === "running", onclick: again }, count === 1 ? "Make it again" : "Make them again")];
}

/** Buttons that decide what a finding advises; undo takes it back. @param {Record<string, any>[]} fixes */
function remedies(fixes, change) {
  return made("div", { className: "row" }, ...fixes.map((fix) => made("button", { type: "button", onclick: () => change(fix) },
    capital(Object.entries(fix).map(([name, value]) => deed(name, value)).join(", ")))));
}

/** @param {{name: string, what: string, needs: string}[]} forms */
function drawForms(forms) {
  if ($("forms").childElementCount === forms.length) return;
  $("forms").replaceChildren(...forms.map((form) => made("label", { className: "form" },
    made("input", { type: "checkbox", value: form.name }),
    made("span", {}, made("strong", {}, form.name), `: ${form.what}. `, made("span", { className: "hint" }, `Needs ${form.needs}.`)))));
}

/** The forms that are ticked. */
export const chosenForms = () => [...document.querySelectorAll("#forms input:checked")].map((box) => /** @type {HTMLInputElement} */ (box).value);
