// @ts-check
/** What the page asks of the server. Every address is on the own origin. */

/** @typedef {import("./types.js").Collection} Collection */

/** An answer of the server that is no success; its message is the sentence that the server gave. */
export class AnswerError extends Error {}

/**
 * @param {string} path
 * @param {RequestInit} [how]
 * @returns {Promise<any>} whatever the address answers; the table below says what
 */
async function ask(path, how = {}) {
  const found = await fetch(path, { credentials: "same-origin", ...how });
  const body = await (found.ok ? found.json() : found.json().catch(() => ({ error: found.statusText })));
  if (!found.ok) throw new AnswerError(body.error || found.statusText);
  return body;
}

/**
 * @param {string} path
 * @param {object} body
 * @param {AbortSignal} [signal]
 */
const send = (path, body, signal) =>
  ask(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body), signal });

const part = encodeURIComponent;

/** Addresses and the types of what they answer. */
export const api = {
  /** @returns {Promise<import("./types.js").State>} */
  state: () => ask("/api/state"),
  /** @returns {Promise<import("./types.js").PlanRow[]>} */
  plans: () => ask("/api/plans"),
  /** @param {string} id @returns {Promise<import("./types.js").Plan>} */
  plan: (id) => ask(`/api/plans/${part(id)}`),
  /** @param {string} id @param {string} name @returns {Promise<Collection>} */
  layer: (id, name) => ask(`/api/plans/${part(id)}/layers/${name}`),
  /** @param {string} id @returns {Promise<import("./types.js").Profile>} */
  profile: (id) => ask(`/api/plans/${part(id)}/profile`),
  /** @param {string} id @returns {Promise<import("./types.js").PlanFile[]>} */
  files: (id) => ask(`/api/plans/${part(id)}/files`),
  /** @param {string} id @param {object} body @returns {Promise<import("./types.js").Layout>} */
  lanes: (id, body) => send(`/api/plans/${part(id)}/lanes`, body),
  /** @param {{text: string, place?: string, crs?: string}} body @returns {Promise<import("./types.js").Point>} */
  point: (body) => send("/api/points", body),
  /** @param {object} body @returns {Promise<import("./types.js").Job>} */
  start: (body) => send("/api/jobs", body),
  /** @param {string} id @returns {Promise<import("./types.js").Job>} */
  cancel: (id) => ask(`/api/jobs/${part(id)}`, { method: "DELETE" }),
  /** @param {string} id */
  events: (id) => new EventSource(`/api/jobs/${part(id)}/events`),
  /** @param {File} file @returns {Promise<import("./types.js").Place>} */
  upload: (file) =>
    ask(`/api/places?name=${part(file.name)}`, {
      method: "POST",
      headers: { "content-type": "application/octet-stream" },
      body: file,
    }),
  isolines: (
    /** @type {string} */ place,
    /** @type {string} */ kind,
    /** @type {number[]} */ box,
    /** @type {AbortSignal} */ signal,
  ) => {
    const [west, south, east, north] = box.map((degrees) => degrees.toFixed(6));
    return ask(
      `/api/places/${part(place)}/isolines?kind=${kind}&west=${west}&south=${south}&east=${east}&north=${north}`,
      { signal },
    );
  },
  placeTiles: (/** @type {string} */ place, /** @type {string} */ kind) =>
    `${location.origin}/api/places/${part(place)}/tiles/${kind}/{z}/{x}/{y}`,
  planTiles: (/** @type {string} */ plan, /** @type {string} */ kind) =>
    `${location.origin}/api/plans/${part(plan)}/tiles/${kind}/{z}/{x}/{y}`,
  fileUrl: (/** @type {string} */ plan, /** @type {string} */ name) => `/api/plans/${part(plan)}/files/${part(name)}`,
  zipUrl: (/** @type {string} */ plan) => `/api/plans/${part(plan)}/everything.zip`,
};
