// @ts-check
import { button, h } from "./dom.js";
import { chosen } from "./store.js";
import { searcherSlider, widthSlider } from "./step-team.js";
import { T } from "./text.js";
import { metres } from "./units.js";
import { busy, place, world } from "./world.js";

/** @param {{run: () => void, cancel: () => void}} actions */
export const runStep = (actions) => ({
  id: "run",
  summary: () => {
    const job = world.job;
    if (job && busy()) return `${Math.round(job.share * 100)} %`;
    return chosen.plan;
  },
  ready: () => Boolean(chosen.plan) && !busy(),
  build: () => {
    const job = world.job;
    const runs = busy();
    const can = place() && (chosen.at || chosen.drawn?.kind === "debris");
    return [
      can ? h("p", {}, T.run.ready, " ", question()) : h("p", {}, T.run.missing),
      runs
        ? null
        : h(
            "section",
            {},
            h("h3", {}, T.search.before),
            searcherSlider(),
            widthSlider(),
            h("p", { class: "help" }, T.search.beforeHelp),
          ),
      runs
        ? null
        : h(
            "div",
            { class: "row" },
            button(chosen.plan ? T.run.again : T.run.start, actions.run, { class: "main big", disabled: !can }),
          ),
      h(
        "div",
        { id: "job", class: "job" },
        job && (runs || job.state === "failed" || job.state === "cancelled") ? jobBox(job, actions.cancel) : null,
      ),
      chosen.plan && !runs ? h("p", { class: "done" }, T.run.done(chosen.plan)) : null,
    ];
  },
});

function question() {
  const parts = [
    place()?.name,
    chosen.drawn?.kind === "debris" ? null : T.snow.sizes[chosen.size][0].toLowerCase(),
    chosen.at ? `${T.steps.point.toLowerCase()} ± ${metres(chosen.radius)}` : null,
  ];
  return `${parts.filter(Boolean).join(", ")}.`;
}

/**
 * @param {import("./types.js").Job} job
 * @param {() => void} cancel
 */
export function jobBox(job, cancel) {
  if (job.state === "failed") return h("p", { class: "wrong", role: "alert" }, `${T.run.failed}: ${job.error}`);
  if (job.state === "cancelled") return h("p", { role: "status" }, T.run.cancelled);
  const times = [
    T.run.elapsed(T.minutes(job.elapsed_s)),
    job.left_s === null || / left$/.test(job.stage) ? null : T.run.left(T.minutes(job.left_s)),
  ];
  return [
    h("progress", { max: 1, value: job.share, "aria-label": T.steps.run }),
    h("p", { class: "stage" }, job.state === "waiting" ? T.run.waiting : job.stage),
    h("p", { class: "help num" }, times.filter(Boolean).join(", ")),
    h("div", { class: "row" }, button(T.run.cancel, cancel)),
  ];
}
