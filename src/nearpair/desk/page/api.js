// Talking to the desk: every answer is JSON; a refusal becomes an Error that says what to do.

/** @param {string} path @param {object} [body] @returns {Promise<any>} */
async function ask(path, body) {
  const sent = body === undefined ? {} : {
    method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
  };
  let answer;
  try {
    answer = await fetch(path, { ...sent, cache: "no-store" });
  } catch {
    throw Object.assign(new Error("The desk does not answer. Start nearpair desk again."), { status: 0 });
  }
  if (answer.ok) return answer.json();
  const told = await answer.json().catch(() => ({ message: answer.statusText, remedy: "" }));
  throw Object.assign(new Error(`${told.message} ${told.remedy}`.trim()), { status: answer.status });
}

export const readState = () => ask("/state");
/** @param {string} revision @param {object} changes */
export const decide = (revision, changes) => ask("/decide", { revision, changes });
/** @param {string} until @param {object} [eyes] */
export const run = (until, eyes = {}) => ask("/run", { until, ...eyes });
/** @param {string[]} forms */
export const publish = (forms) => ask("/publish", { forms });
export const makeAgain = () => ask("/again", {});
/** @param {Record<string, string> | null} moves frames to stations, "" sets aside; null puts all back */
export const move = (moves) => ask("/move", { moves });
/** @param {string} name @param {string} text of a calibration file of glasses @returns {Promise<{glasses: string}>} */
export const keepGlasses = (name, text) => ask("/glasses", { name, text });
export const sort = () => ask("/sort", {});
export const stop = () => ask("/stop", {});

/** Which frames a place shows. @param {string} key @param {string} eye @param {number[]} place */
export const readBehind = (key, eye, [x, y]) => ask(`/behind/${key}/${eye}/${x.toFixed(1)}/${y.toFixed(1)}`);

/** What retouches would show, at the places of some of them. @param {string} key @param {object[]} retouches @param {object[]} where */
export const tryOut = (key, retouches, where) => ask(`/behind/${key}/tried`, { retouches, where });

/** @param {string} path @param {number} count @param {string} fault */
async function readValues(path, count, fault) {
  const answer = await fetch(path);
  const data = await answer.arrayBuffer();
  if (!answer.ok || data.byteLength !== 4 * count) throw new Error(fault);
  return new Float32Array(data);
}

/** Parallax of the crop. @param {string} key @param {number} count */
export const readMap = (key, count) => readValues(`/map/${key}`, count, "The depth map does not fit the pair.");
/** The sharpest frame of each place, from 0. @param {string} key @param {number} count */
export const readFocus = (key, count) => readValues(`/map/${key}/focus`, count, "The focus map does not fit the pair.");

/** @param {(told: {job: any, changed: number}) => void} heard */
export function listen(heard) {
  const events = new EventSource("/events");
  events.onmessage = (event) => heard(JSON.parse(event.data));
  return events;
}
