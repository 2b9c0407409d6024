// @ts-check
/** What is chosen: one plain object, with undo, kept in the address so that it can be opened again. */

/**
 * @typedef {Object} Choice
 * @property {string} place
 * @property {import("./types.js").LonLat | null} at
 * @property {string} atText as it was written
 * @property {number} radius
 * @property {number} size
 * @property {number | null} slab
 * @property {number[] | null} friction
 * @property {string} frictionKind
 * @property {string} model
 * @property {number} seed
 * @property {string} name
 * @property {{kind: string, rings: number[][][]} | null} drawn
 * @property {string} plan
 * @property {number} width
 * @property {number} searchers
 * @property {string} pattern
 * @property {string} entry
 * @property {string} start
 * @property {string} step
 * @property {string} colour
 * @property {string[]} ground
 */

/** @type {Choice} */
export const START = {
  place: "",
  at: null,
  atText: "",
  radius: 10,
  size: 2,
  slab: null,
  friction: null,
  frictionKind: "usual",
  model: "auto",
  seed: 1,
  name: "",
  drawn: null,
  plan: "",
  width: 0, // what the server takes where none is given; known once it has answered
  searchers: 1,
  pattern: "",
  entry: "",
  start: "",
  step: "place",
  colour: "probability",
  ground: ["relief", "contours"],
};

/** Choices that people undo; the rest is only how it is looked at. */
const UNDONE = [
  "place",
  "at",
  "atText",
  "radius",
  "size",
  "slab",
  "friction",
  "frictionKind",
  "model",
  "seed",
  "name",
  "drawn",
  "plan",
  "width",
  "searchers",
  "pattern",
  "entry",
  "start",
];
const MOST_UNDO = 100;
const SAME_MOVE_MS = 900;

/** @type {Choice} */
export let chosen = { ...START };
/** @type {Choice[]} */
const past = [];
let lastKeys = "";
let lastAt = 0;
/** @type {Set<(changed: Set<string>) => void>} */
const watchers = new Set();

/** @param {(changed: Set<string>) => void} watcher */
export const watch = (watcher) => watchers.add(watcher);

/**
 * Change something.
 * @param {Partial<Choice>} changes
 * @param {{undo?: boolean}} [how]
 */
export function set(changes, { undo: undoes = true } = {}) {
  const keys = /** @type {(keyof Choice)[]} */ (Object.keys(changes)).filter(
    (key) => JSON.stringify(changes[key]) !== JSON.stringify(chosen[key]),
  );
  if (!keys.length) return;
  const named = keys.filter((key) => UNDONE.includes(key)).join();
  if (undoes && named) {
    const now = Date.now();
    if (named !== lastKeys || now - lastAt > SAME_MOVE_MS) past.push(chosen);
    if (past.length > MOST_UNDO) past.shift();
    [lastKeys, lastAt] = [named, now];
  }
  chosen = { ...chosen, ...changes };
  tell(new Set(keys));
}

/** Take the last change back. @returns {number} how many are left, -1 where there was none */
export function undo() {
  const before = past.pop();
  if (!before) return -1;
  const keep = { step: chosen.step, colour: chosen.colour, ground: chosen.ground };
  const keys = /** @type {(keyof Choice)[]} */ (Object.keys(before)).filter(
    (key) => !(key in keep) && JSON.stringify(before[key]) !== JSON.stringify(chosen[key]),
  );
  chosen = { ...before, ...keep };
  lastKeys = "";
  tell(new Set(keys));
  return past.length;
}

export const undoable = () => past.length;

/** @param {Set<string>} changed */
function tell(changed) {
  write();
  for (const watcher of watchers) watcher(changed);
}

function write() {
  const params = new URLSearchParams();
  for (const [key, value] of Object.entries(chosen)) {
    if (JSON.stringify(value) === JSON.stringify(START[/** @type {keyof Choice} */ (key)])) continue;
    params.set(key, typeof value === "string" ? value : JSON.stringify(value));
  }
  history.replaceState(null, "", `#${params}`);
}

/** What the address says; what cannot be read is left out. */
export function read() {
  /** @type {Record<string, unknown>} */
  const found = {};
  for (const [key, text] of new URLSearchParams(location.hash.slice(1))) {
    if (!(key in START)) continue;
    const like = START[/** @type {keyof Choice} */ (key)];
    try {
      const value = typeof like === "string" ? text : JSON.parse(text);
      if (fits(key, value)) found[key] = value;
    } catch {
      /* not ours */
    }
  }
  chosen = { ...START, ...found };
}

/**
 * @param {string} key
 * @param {any} value
 */
function fits(key, value) {
  const numbers = (/** @type {unknown} */ list, /** @type {number} */ n) =>
    Array.isArray(list) && list.length === n && list.every(Number.isFinite);
  if (key === "at") return numbers(value, 2);
  if (key === "friction") return value === null || numbers(value, 3);
  if (key === "ground") return Array.isArray(value) && value.every((name) => typeof name === "string");
  if (key === "drawn") {
    return (
      ["release", "debris"].includes(value?.kind) &&
      Array.isArray(value.rings) &&
      value.rings.every(
        (/** @type {unknown} */ ring) => Array.isArray(ring) && ring.every((corner) => numbers(corner, 2)),
      )
    );
  }
  if (key === "slab") return value === null || Number.isFinite(value);
  return typeof value === typeof START[/** @type {keyof Choice} */ (key)];
}

/** The question as the server takes it. */
export function question() {
  const c = chosen;
  return {
    place: c.place,
    name: c.name,
    seed: c.seed,
    last_seen: { at: c.at ? c.atText || `${c.at[0].toFixed(6)},${c.at[1].toFixed(6)}` : "", radius_m: c.radius },
    snow: {
      size: c.size,
      ...(c.slab ? { slab_thickness_m: c.slab } : {}),
      ...(c.friction ? { friction: c.friction } : {}),
      ...(c.model !== "auto" ? { model: c.model } : {}),
    },
    search: { strip_width_m: c.width, searchers: c.searchers, ...searchMore() },
    ...(c.drawn ? { [c.drawn.kind]: c.drawn.rings } : {}),
  };
}

/** The question about lanes. */
export const laneQuestion = () => ({ strip_width_m: chosen.width, searchers: chosen.searchers, ...searchMore() });

const searchMore = () => ({
  ...(chosen.pattern ? { pattern: chosen.pattern } : {}),
  ...(chosen.entry ? { entry: chosen.entry } : {}),
  ...(chosen.start ? { start: chosen.start } : {}),
});
