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
/** Elements of each step. @type {Map<string, {head: HTMLButtonElement, body: Element, sum: Element, all: Element}>} */
const elements = new Map();

/** @param {Step[]} given */
export function make(given) {
  steps = given;
  const list = h(
    "ol",
    { class: "steps" },
    steps.map((step, k) => {
      const bodyId = `step-${step.id}`;
      const sum = h("span", { class: "sum" });
      const head = h(
        "button",
        {
          type: "button",
          class: "head",
          "aria-controls": bodyId,
          "aria-expanded": "false",
          onclick: () => set({ step: step.id }),
        },
        h("span", { class: "no", "aria-hidden": "true" }, k + 1),
        h("span", { class: "name" }, T.steps[step.id]),
        sum,
      );
      const body = h("div", {
        class: "body",
        id: bodyId,
        role: "region",
        "aria-label": T.steps[step.id],
      });
      const all = h("li", { class: "step" }, h("h2", {}, head), body);
      elements.set(step.id, { head, body, sum, all });
      return all;
    }),
  );
  fill(byId("panel"), list);
}

/** Open the step that is worked on and build it anew. @param {boolean} move whether the focus goes there */
export function open(move) {
  for (const step of steps) {
    const parts = elements.get(step.id);
    if (!parts) continue;
    const on = step.id === chosen.step;
    parts.all.classList.toggle("open", on);
    parts.head.setAttribute("aria-expanded", String(on));
    if (on) parts.head.setAttribute("aria-current", "step");
    else parts.head.removeAttribute("aria-current");
    if (on) fill(parts.body, step.build(), next(step));
    else fill(parts.body);
  }
  sums();
  const parts = elements.get(chosen.step);
  if (move && parts) {
    parts.head.focus({ preventScroll: true });
    parts.all.scrollIntoView({ block: "start" });
  }
}

/** What was chosen, beside the name of each step. */
export function sums() {
  for (const step of steps) {
    const parts = elements.get(step.id);
    if (!parts) continue;
    const waits = busy() && OF_A_PLAN.includes(step.id);
    parts.head.disabled = waits;
    parts.sum.textContent = waits ? T.run.busy : step.summary();
    parts.all.classList.toggle("set", !waits && Boolean(step.summary()));
  }
}

/** Build the open step anew, with the focus where it was. */
export function rebuild() {
  const parts = elements.get(chosen.step);
  const step = steps.find((s) => s.id === chosen.step);
  if (!parts || !step) return;
  const fields = () =>
    [...parts.body.querySelectorAll("button, input, select, summary, a")].map(
      (field) => /** @type {HTMLElement} */ (field),
    );
  const k = fields().findIndex((field) => field === document.activeElement);
  const unfolded = [...parts.body.querySelectorAll("details")].map((d) => d.open);
  fill(parts.body, step.build(), next(step));
  [...parts.body.querySelectorAll("details")].forEach((d, n) => {
    if (unfolded[n]) d.open = true;
  });
  if (k >= 0) fields()[k]?.focus({ preventScroll: true });
  sums();
}

/** @param {Step} step */
function next(step) {
  const after = steps[steps.indexOf(step) + 1];
  if (!after || (step.ready && !step.ready())) return null;
  return h(
    "p",
    { class: "next" },
    h("button", { type: "button", onclick: () => set({ step: after.id }) }, T.next(T.steps[after.id])),
  );
}
