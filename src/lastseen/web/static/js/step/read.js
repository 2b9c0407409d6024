// @ts-check
import { button, choice, h } from "../dom.js";
import { data } from "../planlayers.js";
import { chosen, set } from "../store.js";
import { T } from "../text.js";
import { area, metres, volume } from "../units.js";
import { world } from "../world.js";

/** @param {{trap: (number: number) => void, zone: (number: number) => void}} told */
export const readStep = (told) => ({
  id: "read",
  summary: () => {
    const debris = world.plan?.numbers?.debris;
    return debris ? area(debris.area_m2) : "";
  },
  ready: () => Boolean(chosen.plan),
  build: () => {
    const numbers = world.plan?.numbers;
    if (!numbers) return [h("p", {}, T.read.none)];
    return [colours(numbers), facts(numbers), traps(numbers, told.trap), zones(numbers, told.zone), notes(numbers)];
  },
});

/** @param {any} numbers */
function colours(numbers) {
  if (!numbers.model) return null;
  return choice(T.read.show, "colour", Object.entries(T.read.kinds).map(([kind, label]) => [kind, label]), chosen.colour, (kind) => set({ colour: kind }));
}

/** @param {any} numbers */
function facts(numbers) {
  const n = numbers;
  /** @type {Array<[string, any]>} */
  const rows = [];
  if (n.model) {
    rows.push([T.read.size, String(n.scenario.snow.size)], [T.read.model, n.model.reason]);
    if (n.release) rows.push([T.read.released, volume(n.release.volume_m3)]);
    const three = (/** @type {any} */ r, /** @type {(v: number) => string} */ f) => `${f(r.p10)} / ${f(r.p50)} / ${f(r.p90)}`;
    if (n.runout?.length_m) rows.push([T.read.runout, three(n.runout.length_m, (v) => metres(v))], [T.read.angle, three(n.runout.travel_angle_deg, (v) => `${v.toFixed(0)}°`)]);
  }
  rows.push([T.read.area, [area(n.debris.area_m2), n.debris.level ? h("small", {}, T.read.level(T.percent(n.debris.level))) : null]]);
  if (n.poa) {
    rows.push([T.read.inside, [T.percent(n.poa.inside_debris), h("small", {}, T.read.outside(T.percent(n.poa.outside_debris)))]]);
    if (n.poa.burial) rows.push([T.read.burial, T.percent(n.poa.burial.fully)]);
  }
  return h("section", {}, h("h3", {}, T.read.numbers), h("dl", { class: "table" }, rows.map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)])));
}

/** @param {any} numbers @param {(number: number) => void} told */
function traps(numbers, told) {
  if (!numbers.model) return null;
  const found = data.terrain_traps?.features.map((/** @type {any} */ one) => one.properties) || [];
  return h("section", {}, h("h3", {}, T.read.traps), found.length
    ? h("ul", { class: "list traps" }, found.map((/** @type {any} */ t) => h("li", {}, button(T.read.trap(t), () => told(t.number)), h("p", { class: "help" }, t.reason, " ", t.shares))))
    : h("p", {}, T.read.noTraps));
}

/** @param {any} numbers @param {(number: number) => void} told */
function zones(numbers, told) {
  if (!numbers.zones.length) return null;
  return h("section", {}, h("h3", {}, T.read.zones), h("ul", { class: "list" }, numbers.zones.map((/** @type {any} */ z) => h("li", {}, button(T.read.zone(z, T.percent(z.poa)), () => told(z.number)), h("p", { class: "help" }, z.reason)))));
}

/** @param {any} numbers */
const notes = (numbers) => h("details", {}, h("summary", {}, `${T.read.notes} (${numbers.notes.length})`), h("ul", { class: "notes" }, numbers.notes.map((/** @type {string} */ one) => h("li", {}, one))));
