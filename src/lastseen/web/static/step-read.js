// @ts-check
import { button, choice, h } from "./dom.js";
import { data } from "./planlayers.js";
import { chosen, set } from "./store.js";
import { T } from "./text.js";
import { area, metres, volume } from "./units.js";
import { world } from "./world.js";

/** @param {{trap: (number: number) => void, zone: (number: number) => void}} actions */
export const readStep = (actions) => ({
  id: "read",
  summary: () => {
    const debris = world.plan?.numbers?.debris;
    return debris ? area(debris.area_m2) : "";
  },
  ready: () => Boolean(chosen.plan),
  build: () => {
    const numbers = world.plan?.numbers;
    if (!numbers) return [h("p", {}, T.read.none)];
    return [
      colours(numbers),
      facts(numbers),
      traps(numbers, actions.trap),
      zones(numbers, actions.zone),
      notes(numbers),
    ];
  },
});

/** @param {import("./types.js").Numbers} numbers */
function colours(numbers) {
  if (!numbers.model) return null;
  return choice(
    T.read.show,
    "colour",
    Object.entries(T.read.kinds).map(([kind, label]) => [kind, label]),
    chosen.colour,
    (kind) => set({ colour: kind }),
  );
}

/** @param {import("./types.js").Numbers} numbers */
function facts(numbers) {
  const n = numbers;
  /** @type {Array<[string, any]>} */
  const rows = [];
  if (n.model) {
    rows.push([T.read.size, String(n.scenario.snow.size)], [T.read.model, n.model.reason]);
    if (n.release) rows.push([T.read.released, volume(n.release.volume_m3)]);
    const three = (/** @type {import("./types.js").Range} */ r, /** @type {(v: number) => string} */ f) =>
      `${f(r.p10)} / ${f(r.p50)} / ${f(r.p90)}`;
    if (n.runout?.length_m) {
      rows.push(
        [T.read.runout, three(n.runout.length_m, (v) => metres(v))],
        [T.read.angle, three(n.runout.travel_angle_deg, (v) => `${v.toFixed(0)}°`)],
      );
    }
  }
  rows.push([
    T.read.area,
    [
      area(n.debris.area_m2),
      n.debris.level ? h("small", {}, T.read.level(T.percent(n.debris.level))) : null,
      n.debris.whole === false ? h("small", {}, T.read.part) : null,
    ],
  ]);
  if (n.poa) {
    rows.push([
      T.read.inside,
      [T.percent(n.poa.inside_debris), h("small", {}, T.read.outside(T.percent(n.poa.outside_debris)))],
    ]);
    if (n.persons?.left_model_share) rows.push([T.read.left, T.percent(n.persons.left_model_share)]);
    if (n.poa.burial) rows.push([T.read.burial, [n.poa.burial.fully_words, h("small", {}, n.poa.burial.basis)]]);
  }
  return h(
    "section",
    {},
    h("h3", {}, T.read.numbers),
    h(
      "dl",
      { class: "table" },
      rows.map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]),
    ),
  );
}

/** @param {import("./types.js").Numbers} numbers @param {(number: number) => void} choose */
function traps(numbers, choose) {
  if (!numbers.model) return null;
  const found = /** @type {import("./types.js").Trap[]} */ (
    data.terrain_traps?.features.map(({ properties }) => properties) || []
  );
  return h(
    "section",
    {},
    h("h3", {}, T.read.traps),
    found.length
      ? h(
          "ul",
          { class: "list traps" },
          found.map((t) =>
            h(
              "li",
              {},
              button(T.read.trap(t), () => choose(t.number)),
              h("p", { class: "help" }, t.reason, " ", t.shares),
            ),
          ),
        )
      : h("p", {}, T.read.noTraps),
  );
}

/** @param {import("./types.js").Numbers} numbers @param {(number: number) => void} choose */
function zones(numbers, choose) {
  if (!numbers.zones.length) return null;
  return h(
    "section",
    {},
    h("h3", {}, T.read.zones),
    h(
      "ul",
      { class: "list" },
      numbers.zones.map((z) =>
        h(
          "li",
          {},
          button(T.read.zone(z, T.percent(z.poa)), () => choose(z.number)),
          h("p", { class: "help" }, z.reason),
        ),
      ),
    ),
  );
}

/** @param {import("./types.js").Numbers} numbers */
const notes = (numbers) =>
  h(
    "details",
    {},
    h("summary", {}, `${T.read.notes} (${numbers.notes.length})`),
    h(
      "ul",
      { class: "notes" },
      numbers.notes.map((note) => h("li", {}, note)),
    ),
  );
