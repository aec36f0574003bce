// What was decided, step by step, so that it can be taken back and done again.

export class History {
  /** @type {{back: object, forth: object}[]} */ #done = [];
  /** @type {{back: object, forth: object}[]} */ #undone = [];

  /** @param {object} back what brings the old values back @param {object} forth the new values */
  add(back, forth) {
    this.#done.push({ back, forth });
    this.#undone = [];
  }

  /** @returns {object | undefined} the changes that take the last step back */
  undo() {
    const step = this.#done.pop();
    if (step) this.#undone.push(step);
    return step?.back;
  }

  /** @returns {object | undefined} */
  redo() {
    const step = this.#undone.pop();
    if (step) this.#done.push(step);
    return step?.forth;
  }

  /** Decisions that others changed cannot be taken back here. */
  clear() { this.#done = []; this.#undone = []; }
  get canUndo() { return this.#done.length > 0; }
  get canRedo() { return this.#undone.length > 0; }
}
