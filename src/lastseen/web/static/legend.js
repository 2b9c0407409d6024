// @ts-check
/** What colours, lines and signs on the map mean; the list of lines can be folded away. */

import { byId, fill, h } from "./dom.js";
import { ground, ink } from "./look.js";
import { data } from "./planlayers.js";
import { chosen } from "./store.js";
import { T } from "./text.js";
import { world } from "./world.js";

const WIDE = 28,
  HIGH = 12,
  MIDDLE = HIGH / 2;
/** Whether the list is unfolded; until somebody folds it, as the screen has room. @type {boolean | null} */
let unfolded = null;

/** Draw it for what is shown now, or take it away. */
export function legend() {
  const box = byId("legend");
  const { plan } = world;
  box.hidden = !plan || !["read", "search", "hand"].includes(chosen.step);
  if (!plan || box.hidden) return;
  const list = h(
    "details",
    {
      class: "key",
      ontoggle: (/** @type {Event} */ e) => {
        unfolded = /** @type {HTMLDetailsElement} */ (e.target).open;
      },
    },
    h("summary", {}, T.read.key),
    h(
      "ul",
      {},
      lines().map(([sign, text]) =>
        h(
          "li",
          {},
          h("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, width: WIDE, height: HIGH, "aria-hidden": "true" }, sign),
          text,
        ),
      ),
    ),
  );
  list.open = unfolded ?? innerWidth > 1000;
  fill(box, plan.numbers.model && chosen.colour !== "none" ? ramp(chosen.colour) : null, list);
}

/** @param {string} kind */
function ramp(kind) {
  const p = ink();
  const steps = /** @type {Record<string, Array<[string, string]>>} */ ({
    probability: p.debris.levels.map((level, k) => [p.debris.ramp[k], `${(level * 100).toLocaleString("en-GB")} %`]),
    thickness: p.thickness.levels_m.map((level, k) => [p.thickness.ramp[k], `${level} m`]),
    person: [
      [p.person.light, T.read.less],
      [p.person.line, T.read.more],
    ],
  })[kind];
  return [
    h("p", {}, T.read.legend[kind]),
    h(
      "div",
      { class: "ramp" },
      steps.map(([colour, text]) => {
        const chip = h(
          "svg",
          { viewBox: "0 0 10 6", preserveAspectRatio: "none", "aria-hidden": "true" },
          h("rect", { width: 10, height: 6, fill: colour }),
        );
        return h("span", {}, chip, text);
      }),
    ),
  ];
}

/** Signs and words of what the plan has. @returns {Array<[any, string]>} */
function lines() {
  const g = ground(),
    p = ink(),
    words = T.read.lines;
  const has = (/** @type {string} */ name) => data[name]?.features.length > 0;
  const line = (/** @type {string} */ colour, /** @type {number} */ width, /** @type {number[]} */ dashes = []) =>
    h("line", {
      x1: 0,
      x2: WIDE,
      y1: MIDDLE,
      y2: MIDDLE,
      stroke: colour,
      "stroke-width": width,
      "stroke-dasharray": dashes.map((points) => points * 1.1).join(" ") || null,
    });
  const arrow = h("path", {
    d: `M${MIDDLE + 5} ${MIDDLE - 4.5}L${MIDDLE + 14} ${MIDDLE}L${MIDDLE + 5} ${MIDDLE + 4.5}Z`,
    fill: g.lane,
  });
  const text = (/** @type {string} */ letters, /** @type {string} */ colour) =>
    h(
      "text",
      { x: WIDE / 2, y: HIGH - 1.5, "text-anchor": "middle", "font-size": 11, "font-weight": 700, fill: colour },
      letters,
    );
  const cross = [4, 10, 16, 22].map((x) =>
    h("path", { d: `M${x} 2l6 8M${x + 6} 2l-6 8`, stroke: g.trap, "stroke-width": 1 }),
  );
  const letter = data.terrain_traps?.features[0]?.properties;
  /** @type {Array<[boolean, any, string]>} */
  const all = [
    [has("release"), line(g.release, 1.8, p.snow.dashes.release), words.release],
    [has("flow_paths"), line(g.path, 1.8, p.snow.dashes.path), words.main],
    [has("flow_paths"), line(p.snow.corridor, 1.1, p.snow.dashes.corridor), words.corridor],
    [has("debris"), line(g.outline, 2.2), words.debris],
    [has("person_areas"), line(g.person, 2.2), words.half],
    [has("person_areas"), line(g.person, 1.6, p.person.dashes.most), words.most],
    [has("deposition_zones"), text("Z1", g.outline), words.zone],
    [has("terrain_traps"), text(letter ? `${letter.letter}${letter.number}` : "", g.trap), words.trap],
    [has("lanes"), [line(g.lane, 2.3), arrow], words.lane],
    [has("route"), line(g.lane, 1.4, p.lanes.approach), words.route],
    [Boolean(world.layout?.uncovered.features.length), cross, words.uncovered],
    [Boolean(world.layout), [h("circle", { cx: WIDE / 2, cy: MIDDLE, r: 5.5, fill: p.person.line })], words.walker],
  ];
  return all.filter(([there]) => there).map(([, sign, name]) => [sign, name]);
}
