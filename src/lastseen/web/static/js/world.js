// @ts-check
/** What the server said, and the plan that is open. */

import { chosen } from "./store.js";

/** @type {any} */
export const world = {
  /** what `GET /api/state` says */ state: null,
  /** all places by id */ places: new Map(),
  /** plans in the folder */ plans: [],
  /** `GET /api/plans/{id}` of the open plan */ plan: null,
  /** files of the open plan */ files: [],
  /** long profile of the open plan */ profile: null,
  /** lanes that are shown now */ laid: null,
  /** why lanes could not be laid */ lanesError: "",
  /** the last-seen point as it was understood */ point: null,
  /** why the point cannot be used */ pointError: "",
  /** the job that this tab waits for */ job: null,
  /** whether the next click says where the searchers stand */ picksStart: false,
  /** the plan that was made to keep lanes */ kept: "",
};

export const place = () => world.places.get(chosen.place) || null;

/** Whether a plan is being worked out for this tab. */
export const busy = () => ["waiting", "running"].includes(world.job?.state);

/** Whether the lanes on the map are those in the files of the plan. */
export function sameAsFiles() {
  const asked = world.plan?.asked?.search;
  if (!asked) return true;
  return asked.strip_width_m === chosen.width && asked.searchers === chosen.searchers && (asked.pattern || "") === chosen.pattern && (asked.entry || "") === chosen.entry && (asked.start || "") === chosen.start;
}
