// @ts-check
import { button, h } from "../dom.js";
import { chosen } from "../store.js";
import { T } from "../text.js";
import { metres } from "../units.js";
import { busy, place, world } from "../world.js";
import { people, width } from "./team.js";

/** @param {{run: () => void, cancel: () => void}} told */
export const runStep = (told) => ({
  id: "run",
  summary: () => {
    const job = world.job;
    if (busy()) return `${Math.round(job.share * 100)} %`;
    return chosen.plan;
  },
  ready: () => Boolean(chosen.plan) && !busy(),
  build: () => {
    const job = world.job;
    const runs = busy();
    const can = place() && (chosen.at || chosen.drawn?.kind === "debris");
    return [
      can ? h("p", {}, T.run.ready, " ", said()) : h("p", {}, T.run.missing),
      runs ? null : h("section", {}, h("h3", {}, T.search.before), people(), width(), h("p", { class: "help" }, T.search.beforeHelp)),
      runs ? null : h("div", { class: "row" }, button(chosen.plan ? T.run.again : T.run.start, told.run, { class: "main big", disabled: !can })),
      h("div", { id: "job", class: "job" }, runs || job?.state === "failed" || job?.state === "cancelled" ? jobBox(job, told.cancel) : null),
      chosen.plan && !runs ? h("p", { class: "done" }, T.run.done(chosen.plan)) : null,
    ];
  },
});

function said() {
  const parts = [place().name, chosen.drawn?.kind === "debris" ? null : /** @type {any} */ (T.snow.sizes)[chosen.size][0].toLowerCase(), chosen.at ? `${T.steps.point.toLowerCase()} ± ${metres(chosen.radius)}` : null];
  return `${parts.filter(Boolean).join(", ")}.`;
}

/**
 * @param {any} job
 * @param {() => void} cancel
 */
export function jobBox(job, cancel) {
  if (job.state === "failed") return h("p", { class: "wrong", role: "alert" }, `${T.run.failed}: ${job.error}`);
  if (job.state === "cancelled") return h("p", { role: "status" }, T.run.cancelled);
  const times = [T.run.elapsed(T.minutes(job.elapsed_s)), job.left_s === null || / left$/.test(job.stage) ? null : T.run.left(T.minutes(job.left_s))];
  return [
    h("progress", { max: 1, value: job.share, "aria-label": T.steps.run }),
    h("p", { class: "stage" }, job.state === "waiting" ? T.run.waiting : job.stage),
    h("p", { class: "help num" }, times.filter(Boolean).join(", ")),
    h("div", { class: "row" }, button(T.run.cancel, cancel)),
  ];
}
