// @ts-check
/** Who searches and how wide a strip each hears: asked before a plan is worked out, and changed after it. */

import { field, h, inputOf } from "./dom.js";
import { chosen, set } from "./store.js";
import { T } from "./text.js";
import { metres } from "./units.js";
import { world } from "./world.js";

export function widthSlider() {
  const out = h("output", { class: "num" }, metres(chosen.width));
  const slider = h("input", {
    type: "range",
    min: world.state.strip_width_m.least,
    max: world.state.strip_width_m.most,
    step: 1,
    value: String(chosen.width),
    oninput: (/** @type {Event} */ e) => {
      const width = Number(inputOf(e).value);
      out.textContent = metres(width);
      inputOf(e).setAttribute("aria-valuetext", out.textContent);
      set({ width });
    },
  });
  return h("div", { class: "with-out" }, field(T.search.width, slider, T.search.widthHelp), out);
}

export function searcherSlider() {
  const out = h("output", { class: "num" }, chosen.searchers);
  const slider = h("input", {
    type: "range",
    min: 1,
    max: 12,
    step: 1,
    value: String(chosen.searchers),
    oninput: (/** @type {Event} */ e) => {
      out.textContent = inputOf(e).value;
      set({ searchers: Number(inputOf(e).value) });
    },
  });
  return h("div", { class: "with-out" }, field(T.search.searchers, slider), out);
}
