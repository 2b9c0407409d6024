/** What is chosen: changes, undo, the address, and the questions that are made of it. */

import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

let hash = "";
globalThis.history = { replaceState: (_state, _title, address) => (hash = address) };
globalThis.location = {
  get hash() {
    return hash;
  },
};
const store = await import("../../../src/lastseen/web/static/store.js");
const { START, laneQuestion, question, read, set, undo, undoable, watch } = store;
START.width = 40; // as the server answers
const chosen = () => store.chosen; // another object after each change

beforeEach(() => {
  while (undoable()) undo();
  hash = "";
  read();
});

test("a change is told with its keys only, and nothing is told where nothing changes", () => {
  const changes = [];
  watch((keys) => changes.push([...keys]));
  set({ width: 30, searchers: START.searchers });
  set({ width: 30 });
  assert.deepEqual(changes, [["width"]]);
});

test("undo takes back what was chosen, and not how it is looked at", () => {
  set({ size: 3 });
  set({ step: "search", colour: "person" });
  set({ pattern: "along" });
  assert.equal(undoable(), 2);
  assert.equal(undo(), 1);
  assert.deepEqual([chosen().pattern, chosen().size, chosen().step, chosen().colour], ["", 3, "search", "person"]);
  assert.equal(undo(), 0);
  assert.equal(chosen().size, START.size);
  assert.equal(undo(), -1);
});

test("one move of a slider is one step back, a later one is another", (t) => {
  t.mock.timers.enable({ apis: ["Date"], now: 1_000_000 });
  for (const width of [41, 42, 43]) set({ width });
  t.mock.timers.tick(5000);
  set({ width: 50 });
  assert.equal(undoable(), 2);
  undo();
  assert.equal(chosen().width, 43);
  undo();
  assert.equal(chosen().width, START.width);
});

test("a hundred steps are kept", () => {
  for (let k = 0; k < 150; k += 1) set(k % 2 ? { size: 1 + (k % 4) } : { name: `n${k}` });
  assert.equal(undoable(), 100);
});

test("the address holds the whole choice and nothing that is as at the start", () => {
  const whole = {
    at: [4.34, 65.82],
    atText: "4.34,65.82",
    friction: [0.2, 0.25, 0.3],
    width: 25,
    drawn: { kind: "debris", rings: [[[1, 2], [3, 4], [5, 6]]] }, // prettier-ignore
    ground: ["slope"],
    name: "a & b = #c",
  };
  set(whole);
  assert.ok(!hash.includes("searchers"));
  const before = chosen();
  read();
  assert.deepEqual(chosen(), before);
});

test("what does not fit in the address is left out", () => {
  const wrong = {
    at: "[1]",
    width: '"40"',
    friction: "[1,2]",
    ground: "[1]",
    drawn: '{"kind":"other","rings":[]}',
    slab: '"x"',
    seed: "{",
    unknown: "1",
    searchers: "3",
  };
  hash = `#${new URLSearchParams(wrong)}`;
  read();
  assert.deepEqual(chosen(), { ...START, searchers: 3 });
});

test("the question names what was chosen and leaves the rest to the server", () => {
  set({ place: "ysterra", at: [4.34, 65.82], radius: 20 });
  assert.deepEqual(question(), {
    place: "ysterra",
    name: "",
    seed: 1,
    last_seen: { at: "4.340000,65.820000", radius_m: 20 },
    snow: { size: 2 },
    search: { strip_width_m: 40, searchers: 1 },
  });
  const ring = [[1, 2], [3, 4], [5, 6]]; // prettier-ignore
  set({ model: "flow", slab: 0.8, friction: [0.1, 0.2, 0.3], entry: "toe", drawn: { kind: "release", rings: [ring] } });
  const full = question();
  assert.deepEqual(full.snow, { size: 2, slab_thickness_m: 0.8, friction: [0.1, 0.2, 0.3], model: "flow" });
  assert.deepEqual(full.search, { strip_width_m: 40, searchers: 1, entry: "toe" });
  assert.deepEqual(full.release, [ring]);
});

test("the question about lanes has only what moves them", () => {
  set({ pattern: "across", start: "1,2", size: 4 });
  assert.deepEqual(laneQuestion(), { strip_width_m: 40, searchers: 1, pattern: "across", start: "1,2" });
});
