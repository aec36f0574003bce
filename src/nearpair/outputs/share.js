"use strict";
const data = JSON.parse(document.getElementById("data").textContent);
const canvas = document.querySelector("canvas");
const paint = canvas.getContext("2d", { willReadFrequently: true });
const still = matchMedia("(prefers-reduced-motion: reduce)");
const motion = document.querySelector(".motion");
const slider = document.getElementById("place");
const play = document.getElementById("play");
const hint = document.getElementById("hint");
const pictures = [...document.querySelectorAll("img:not(.made)")];
const made = Object.fromEntries([...document.querySelectorAll(".made")].map((img) => [img.dataset.view, img]));
let mode = "", playing = false, began = 0, anaglyphs = {};

// light of every code of sRGB (IEC 61966-2-1), and back in steps finer than a code
const LEVELS = 16384;
const light = Float32Array.from({ length: 256 }, (_, code) => {
  const v = code / 255;
  return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
});
const coded = Uint8ClampedArray.from({ length: LEVELS + 1 }, (_, step) => {
  const v = step / LEVELS;
  return 255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055);
});

function size(width, height) {
  if (canvas.width !== width) canvas.width = width;
  if (canvas.height !== height) canvas.height = height;
}

function pixels(picture) {
  size(data.width, data.height);
  paint.drawImage(picture, 0, 0, data.width, data.height);
  return paint.getImageData(0, 0, data.width, data.height);
}

function anaglyph(name) {
  if (made[name]) {
    // decoded when it is first looked at
    made[name].decode().then(() => {
      if (mode !== name) return;
      size(data.width, data.height);
      paint.drawImage(made[name], 0, 0, data.width, data.height);
      document.body.dataset.drawn = name;
    });
    return;
  }
  if (!anaglyphs[name]) {
    const left = pixels(pictures[0]), right = pixels(pictures[pictures.length - 1]).data;
    const mixed = left.data;
    const m = data.glasses[name].flat();
    for (let i = 0; i < mixed.length; i += 4) {
      const a = light[mixed[i]], b = light[mixed[i + 1]], c = light[mixed[i + 2]];
      const d = light[right[i]], e = light[right[i + 1]], f = light[right[i + 2]];
      for (let k = 0; k < 3; k += 1) {
        const r = 6 * k;
        const v = m[r] * a + m[r + 1] * b + m[r + 2] * c + m[r + 3] * d + m[r + 4] * e + m[r + 5] * f;
        mixed[i + k] = coded[Math.round(LEVELS * Math.min(1, Math.max(0, v)))];
      }
    }
    anaglyphs = { [name]: left };
  }
  size(data.width, data.height);
  paint.putImageData(anaglyphs[name], 0, 0);
}

function beside(first, second) {
  const gap = Math.round(data.width * data.gap);
  size(2 * data.width + gap, data.height);
  paint.fillStyle = "#808080";
  paint.fillRect(0, 0, canvas.width, canvas.height);
  paint.drawImage(first, 0, 0, data.width, data.height);
  paint.drawImage(second, data.width + gap, 0, data.width, data.height);
}

function between(place) {
  const at = place * (pictures.length - 1), from = Math.min(Math.floor(at), pictures.length - 2);
  size(data.width, data.height);
  paint.drawImage(pictures[from], 0, 0, data.width, data.height);
  paint.globalAlpha = at - from;
  paint.drawImage(pictures[from + 1], 0, 0, data.width, data.height);
  paint.globalAlpha = 1;
}

function sway(now) {
  if (!playing || mode !== "rocking") return;
  const place = (1 - Math.cos((2 * Math.PI * (now - began)) / data.roundMs)) / 2;
  slider.value = String(Math.round(100 * place));
  between(place);
  requestAnimationFrame(sway);
}

function start(on) {
  playing = on;
  play.textContent = on ? "Stop" : "Move";
  if (on) {
    // go on from where the slider stands
    began = performance.now() - (Math.acos(1 - slider.value / 50) / (2 * Math.PI)) * data.roundMs;
    requestAnimationFrame(sway);
  }
}

function show(chosen) {
  mode = chosen;
  motion.hidden = mode !== "rocking";
  hint.textContent = data.hints[mode] || data.hints.glasses;
  const last = pictures.length - 1;
  if (mode === "flat") between(0);
  else if (mode === "parallel") beside(pictures[0], pictures[last]);
  else if (mode === "crossed") beside(pictures[last], pictures[0]);
  else if (mode === "rocking") {
    between(slider.value / 100);
    start(!still.matches);
    return;
  } else anaglyph(mode);
  start(false);
}

for (const choice of document.querySelectorAll("input[name=view]")) {
  choice.addEventListener("change", () => show(choice.value));
}
slider.addEventListener("input", () => {
  start(false);
  between(slider.value / 100);
});
play.addEventListener("click", () => start(!playing));
still.addEventListener("change", () => start(playing && !still.matches));
document.addEventListener("keydown", (key) => {
  const choices = [...document.querySelectorAll("input[name=view]")];
  const choice = choices[Number(key.key) - 1];
  if (!choice || key.ctrlKey || key.altKey || key.metaKey) return;
  choice.checked = true;
  choice.focus();
  show(choice.value);
});

Promise.all(pictures.map((picture) => picture.decode())).then(() => {
  pictures[0].hidden = true;
  canvas.hidden = false;
  document.querySelector("form").hidden = false;
  show(document.querySelector("input[name=view]:checked").value);
  document.body.dataset.ready = "yes";
});
