// @ts-check
/** Who searches and how wide a strip each hears: asked before a plan is worked out, and changed after it. */

import { field, h } from "../dom.js";
import { chosen, set } from "../store.js";
import { T } from "../text.js";
import { metres } from "../units.js";

export function width() {
  const out = h("output", { class: "num" }, metres(chosen.width));
  const slider = h("input", { type: "range", min: 10, max: 80, step: 1, value: String(chosen.width), oninput: (/** @type {any} */ e) => { out.textContent = metres(Number(e.target.value)); e.target.setAttribute("aria-valuetext", out.textContent); set({ width: Number(e.target.value) }); } });
  return h("div", { class: "with-out" }, field(T.search.width, slider, T.search.widthHelp), out);
}

export function people() {
  const out = h("output", { class: "num" }, chosen.searchers);
  const slider = h("input", { type: "range", min: 1, max: 12, step: 1, value: String(chosen.searchers), oninput: (/** @type {any} */ e) => { out.textContent = e.target.value; set({ searchers: Number(e.target.value) }); } });
  return h("div", { class: "with-out" }, field(T.search.searchers, slider), out);
}
