// @ts-check
import { button, field, h, select } from "../dom.js";
import * as clock from "../clock.js";
import { chosen, set } from "../store.js";
import { T } from "../text.js";
import { area, metres } from "../units.js";
import { sameAsFiles, world } from "../world.js";
import { people, width } from "./team.js";

/** @typedef {{pickStart: () => void, startHere: () => void, keep: () => void}} Told */

/** @param {Told} told */
export const searchStep = (told) => ({
  id: "search",
  summary: () => (chosen.plan ? `${metres(chosen.width)}, ${chosen.searchers}` : ""),
  ready: () => Boolean(chosen.plan),
  build: () => {
    if (!world.plan) return [h("p", {}, T.read.none)];
    if (!world.plan.asked) return [h("p", {}, T.search.notHere)];
    return [width(), people(), pattern(), entry(), start(told), h("div", { id: "laid", class: "laid" }, result(told.keep)), clock.controls(world.state.survival), legs()];
  },
});

const pattern = () => field(T.search.pattern, select(T.search.patterns, chosen.pattern, (value) => set({ pattern: value })));
const entry = () => field(T.search.entry, select(T.search.entries, chosen.entry, (value) => set({ entry: value })));

/** @param {Told} told */
function start(told) {
  if (world.picksStart) return h("div", { class: "field keep", role: "status" }, h("p", {}, T.search.startPick), button(T.point.centre, told.startHere));
  return h("div", { class: "field" }, h("span", { class: "label" }, T.search.start), " ", h("span", { class: "num" }, chosen.start || T.search.startNone),
    h("div", { class: "row" }, button(T.search.startSet, told.pickStart), chosen.start ? button(T.search.startClear, () => set({ start: "" })) : null));
}

/** Lanes in the order in which they are walked. @param {any} route @param {number} searcher */
const walked = (route, searcher) => [...new Set(route.features.filter((/** @type {any} */ f) => f.properties.searcher === searcher && f.properties.kind === "lane").map((/** @type {any} */ f) => f.properties.lane))];

/** @param {() => void} keep */
export function result(keep) {
  if (world.lanesError) return h("p", { class: "wrong", role: "alert" }, world.lanesError);
  const laid = world.laid;
  if (!laid) return null;
  const rows = laid.each.map((/** @type {any} */ one) => [one.searcher, walked(laid.route, one.searcher).join(", ") || "–", metres(one.walk_m), T.minutes(one.time_s)]);
  return [
    h("p", { class: "strong" }, T.search.laid({ lanes: laid.lanes.features.length, way: laid.way, covered: T.percent(laid.coverage), time: T.minutes(laid.total_time_s) })),
    laid.uncovered_m2 > 0.5 ? h("p", { class: "help" }, T.search.uncovered(area(laid.uncovered_m2))) : null,
    h("table", {}, h("caption", {}, T.search.each), h("thead", {}, h("tr", {}, T.search.row.map((one) => h("th", { scope: "col" }, one)))), h("tbody", {}, rows.map((/** @type {any[]} */ row) => h("tr", {}, row.map((one, k) => (k ? h("td", {}, one) : h("th", { scope: "row" }, one))))))),
    laid.notes.length ? h("ul", { class: "notes" }, laid.notes.map((/** @type {string} */ one) => h("li", {}, one))) : null,
    sameAsFiles() ? h("p", { class: "help" }, T.search.same) : h("div", { class: "keep" }, h("p", { class: "help" }, T.search.keepHelp), button(T.search.keep, keep, { class: "main" })),
  ];
}

export function legs() {
  const laid = world.laid;
  if (!laid) return null;
  return h("details", { id: "legs" }, h("summary", {}, T.search.leg), laid.each.map((/** @type {any} */ one) => [h("h3", {}, T.search.walker(one.searcher)), h("ol", { class: "legs" }, laid.route.features.filter((/** @type {any} */ f) => f.properties.searcher === one.searcher).map((/** @type {any} */ f) => h("li", {}, f.properties.reason)))]));
}
