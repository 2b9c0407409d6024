// @ts-check
import { button, field, h, select } from "./dom.js";
import { searcherSlider, widthSlider } from "./step-team.js";
import { chosen, set } from "./store.js";
import { T } from "./text.js";
import { area, metres } from "./units.js";
import * as walk from "./walk.js";
import { sameAsFiles, world } from "./world.js";

/** @typedef {{pickStart: () => void, startHere: () => void, keep: () => void}} Actions */

/** @param {Actions} actions */
export const searchStep = (actions) => ({
  id: "search",
  summary: () => (chosen.plan ? `${metres(chosen.width)}, ${chosen.searchers}` : ""),
  ready: () => Boolean(chosen.plan),
  build: () => {
    if (!world.plan) return [h("p", {}, T.read.none)];
    if (!world.plan.asked) return [h("p", {}, T.search.notHere)];
    return [
      widthSlider(),
      searcherSlider(),
      pattern(),
      entry(),
      start(actions),
      h("div", { id: "laid", class: "laid" }, result(actions.keep)),
      walk.controls(world.state.survival),
      legs(),
    ];
  },
});

const pattern = () =>
  field(
    T.search.pattern,
    select(T.search.patterns, chosen.pattern, (value) => set({ pattern: value })),
  );
const entry = () =>
  field(
    T.search.entry,
    select(T.search.entries, chosen.entry, (value) => set({ entry: value })),
  );

/** @param {Actions} actions */
function start(actions) {
  if (world.picksStart) {
    return h(
      "div",
      { class: "field keep", role: "status" },
      h("p", {}, T.search.startPick),
      button(T.point.centre, actions.startHere),
    );
  }
  return h(
    "div",
    { class: "field" },
    h("span", { class: "label" }, T.search.start),
    " ",
    h("span", { class: "num" }, chosen.start || T.search.startNone),
    h(
      "div",
      { class: "row" },
      button(T.search.startSet, actions.pickStart),
      chosen.start ? button(T.search.startClear, () => set({ start: "" })) : null,
    ),
  );
}

/**
 * Lanes in the order in which they are walked.
 * @param {import("./types.js").Collection<import("./types.js").Leg>} route
 * @param {number} searcher
 */
const walked = (route, searcher) => [
  ...new Set(
    route.features
      .filter(({ properties }) => properties.searcher === searcher && properties.kind === "lane")
      .map(({ properties }) => properties.lane),
  ),
];

/** @param {() => void} keep */
export function result(keep) {
  if (world.lanesError) return h("p", { class: "wrong", role: "alert" }, world.lanesError);
  const layout = world.layout;
  if (!layout) return null;
  const rows = layout.each.map(({ searcher, walk_m, time_s }) => [
    searcher,
    walked(layout.route, searcher).join(", ") || "–",
    metres(walk_m),
    T.minutes(time_s),
  ]);
  return [
    h(
      "p",
      { class: "strong" },
      T.search.laid({
        lanes: layout.lanes.features.length,
        way: layout.way,
        time: T.minutes(layout.search_time_s),
        all: T.minutes(layout.total_time_s),
      }),
    ),
    h("p", {}, `${layout.coverage_words}.`),
    layout.uncovered_m2 > 0.5 ? h("p", { class: "help" }, T.search.uncovered(area(layout.uncovered_m2))) : null,
    h(
      "table",
      {},
      h("caption", {}, T.search.each),
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          T.search.row.map((name) => h("th", { scope: "col" }, name)),
        ),
      ),
      h(
        "tbody",
        {},
        rows.map((row) =>
          h(
            "tr",
            {},
            row.map((cell, k) => (k ? h("td", {}, cell) : h("th", { scope: "row" }, cell))),
          ),
        ),
      ),
    ),
    layout.notes.length
      ? h(
          "ul",
          { class: "notes" },
          layout.notes.map((note) => h("li", {}, note)),
        )
      : null,
    sameAsFiles()
      ? h("p", { class: "help" }, T.search.same)
      : h(
          "div",
          { class: "keep" },
          h("p", { class: "help" }, T.search.keepHelp),
          button(T.search.keep, keep, { class: "main" }),
        ),
  ];
}

export function legs() {
  const layout = world.layout;
  if (!layout) return null;
  return h(
    "details",
    { id: "legs" },
    h("summary", {}, T.search.leg),
    layout.each.map(({ searcher }) => [
      h("h3", {}, T.search.walker(searcher)),
      h(
        "ol",
        { class: "legs" },
        layout.route.features
          .filter(({ properties }) => properties.searcher === searcher)
          .map(({ properties }) => h("li", {}, properties.reason)),
      ),
    ]),
  );
}
