// @ts-check
/** What the server said, and the plan that is open. */

import { chosen } from "./store.js";

/**
 * @typedef {Object} World
 * @property {import("./types.js").State} state what `GET /api/state` answered
 * @property {Map<string, import("./types.js").Place>} places all places by id
 * @property {import("./types.js").PlanRow[]} plans in the folder
 * @property {import("./types.js").Plan | null} plan the open plan
 * @property {import("./types.js").PlanFile[]} files of the open plan
 * @property {import("./types.js").Profile | null} profile of the open plan
 * @property {import("./types.js").Layout | null} layout lanes that are shown now
 * @property {string} lanesError why lanes could not be laid
 * @property {import("./types.js").Point | null} point the last-seen point as it was understood
 * @property {string} pointError why the point cannot be used
 * @property {import("./types.js").Job | null} job that this tab waits for
 * @property {boolean} picksStart whether the next click tells where the searchers stand
 * @property {string} kept the plan that was made to keep lanes
 */

/** @type {World} */
export const world = {
  state: /** @type {any} */ (null), // read before anything is shown
  places: new Map(),
  plans: [],
  plan: null,
  files: [],
  profile: null,
  layout: null,
  lanesError: "",
  point: null,
  pointError: "",
  job: null,
  picksStart: false,
  kept: "",
};

export const place = () => world.places.get(chosen.place) || null;

/** Whether a plan is being worked out for this tab. */
export const busy = () => world.job?.state === "waiting" || world.job?.state === "running";

/** Whether the lanes on the map are those in the files of the plan. */
export function sameAsFiles() {
  const asked = world.plan?.asked?.search;
  if (!asked) return true;
  return (
    asked.strip_width_m === chosen.width &&
    asked.searchers === chosen.searchers &&
    (asked.pattern || "") === chosen.pattern &&
    (asked.entry || "") === chosen.entry &&
    (asked.start || "") === chosen.start
  );
}
