// @ts-check
/** What the page asks of the server. Every address is on the own origin. */

export class Said extends Error {}

/**
 * @param {string} path
 * @param {RequestInit} [how]
 * @returns {Promise<any>}
 */
async function ask(path, how = {}) {
  const found = await fetch(path, { credentials: "same-origin", ...how });
  const body = await (found.ok ? found.json() : found.json().catch(() => ({ error: found.statusText })));
  if (!found.ok) throw new Said(body.error || found.statusText);
  return body;
}

/**
 * @param {string} path
 * @param {any} body
 * @param {AbortSignal} [signal]
 */
const send = (path, body, signal) =>
  ask(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body), signal });

const part = encodeURIComponent;

export const api = {
  state: () => ask("/api/state"),
  plans: () => ask("/api/plans"),
  plan: (/** @type {string} */ id) => ask(`/api/plans/${part(id)}`),
  layer: (/** @type {string} */ id, /** @type {string} */ name) => ask(`/api/plans/${part(id)}/layers/${name}`),
  profile: (/** @type {string} */ id) => ask(`/api/plans/${part(id)}/profile`),
  files: (/** @type {string} */ id) => ask(`/api/plans/${part(id)}/files`),
  lanes: (/** @type {string} */ id, /** @type {any} */ body) => send(`/api/plans/${part(id)}/lanes`, body),
  point: (/** @type {any} */ body) => send("/api/points", body),
  start: (/** @type {any} */ body) => send("/api/jobs", body),
  job: (/** @type {string} */ id) => ask(`/api/jobs/${part(id)}`),
  cancel: (/** @type {string} */ id) => ask(`/api/jobs/${part(id)}`, { method: "DELETE" }),
  events: (/** @type {string} */ id) => new EventSource(`/api/jobs/${part(id)}/events`),
  isolines: (/** @type {string} */ place, /** @type {string} */ kind, /** @type {number[]} */ box, /** @type {AbortSignal} */ signal) => {
    const [west, south, east, north] = box.map((one) => one.toFixed(6));
    return ask(`/api/places/${part(place)}/isolines?kind=${kind}&west=${west}&south=${south}&east=${east}&north=${north}`, { signal });
  },
  upload: (/** @type {File} */ file) =>
    ask(`/api/places?name=${part(file.name)}`, { method: "POST", headers: { "content-type": "application/octet-stream" }, body: file }),
  placeTiles: (/** @type {string} */ place, /** @type {string} */ kind) => `${location.origin}/api/places/${part(place)}/tiles/${kind}/{z}/{x}/{y}`,
  planTiles: (/** @type {string} */ plan, /** @type {string} */ kind) => `${location.origin}/api/plans/${part(plan)}/tiles/${kind}/{z}/{x}/{y}`,
  fileUrl: (/** @type {string} */ plan, /** @type {string} */ name) => `/api/plans/${part(plan)}/files/${part(name)}`,
  zipUrl: (/** @type {string} */ plan) => `/api/plans/${part(plan)}/everything.zip`,
};
