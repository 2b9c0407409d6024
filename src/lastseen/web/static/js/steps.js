// @ts-check
/** The steps, one below the other along a line: each shows what was chosen, the one that is worked on is open. */

import { byId, fill, h } from "./dom.js";
import { chosen, set } from "./store.js";
import { T } from "./text.js";
import { busy } from "./world.js";

/** @typedef {{id: string, summary: () => string, build: () => any, ready?: () => boolean}} Step */

/** Steps that show a plan: they wait while one is worked out. */
const OF_A_PLAN = ["read", "search", "hand"];
/** @type {Step[]} */
let steps = [];
/** @type {Map<string, {head: any, body: any, sum: any, all: any}>} */
const made = new Map();

/** @param {Step[]} given */
export function make(given) {
  steps = given;
  const list = h("ol", { class: "steps" }, steps.map((step, k) => {
    const bodyId = `step-${step.id}`;
    const sum = h("span", { class: "sum" });
    const head = h("button", { type: "button", class: "head", "aria-controls": bodyId, "aria-expanded": "false", onclick: () => set({ step: step.id }) }, h("span", { class: "no", "aria-hidden": "true" }, k + 1), h("span", { class: "name" }, /** @type {any} */ (T.steps)[step.id]), sum);
    const body = h("div", { class: "body", id: bodyId, role: "region", "aria-label": /** @type {any} */ (T.steps)[step.id] });
    const all = h("li", { class: "step" }, h("h2", {}, head), body);
    made.set(step.id, { head, body, sum, all });
    return all;
  }));
  fill(byId("panel"), list);
}

/** Open the step that is worked on and build it anew. @param {boolean} move whether the focus goes there */
export function open(move) {
  for (const step of steps) {
    const one = made.get(step.id);
    if (!one) continue;
    const on = step.id === chosen.step;
    one.all.classList.toggle("open", on);
    one.head.setAttribute("aria-expanded", String(on));
    if (on) one.head.setAttribute("aria-current", "step");
    else one.head.removeAttribute("aria-current");
    if (on) fill(one.body, step.build(), next(step));
    else fill(one.body);
  }
  sums();
  const one = made.get(chosen.step);
  if (move && one) {
    one.head.focus({ preventScroll: true });
    one.all.scrollIntoView({ block: "start" });
  }
}

/** What was chosen, beside the name of each step. */
export function sums() {
  for (const step of steps) {
    const one = made.get(step.id);
    if (!one) continue;
    const waits = busy() && OF_A_PLAN.includes(step.id);
    one.head.disabled = waits;
    one.sum.textContent = waits ? T.run.busy : step.summary();
    one.all.classList.toggle("set", !waits && Boolean(step.summary()));
  }
}

/** Build the open step anew, with the focus where it was. */
export function rebuild() {
  const one = made.get(chosen.step);
  const step = steps.find((s) => s.id === chosen.step);
  if (!one || !step) return;
  const fields = () => [...one.body.querySelectorAll("button, input, select, summary, a")];
  const k = fields().indexOf(document.activeElement);
  const open = [...one.body.querySelectorAll("details")].map((d) => d.open);
  fill(one.body, step.build(), next(step));
  [...one.body.querySelectorAll("details")].forEach((d, n) => { if (open[n]) d.open = true; });
  if (k >= 0) fields()[k]?.focus({ preventScroll: true });
  sums();
}

/** @param {Step} step */
function next(step) {
  const after = steps[steps.indexOf(step) + 1];
  if (!after || (step.ready && !step.ready())) return null;
  return h("p", { class: "next" }, h("button", { type: "button", onclick: () => set({ step: after.id }) }, T.next(/** @type {any} */ (T.steps)[after.id])));
}
