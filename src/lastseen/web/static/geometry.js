// @ts-check
/** Places in degrees: boxes around shapes, distances and directions over some kilometres. */

/** @typedef {import("./types.js").LonLat} LonLat */
/** @typedef {import("./types.js").Box} Box */

const METRES_PER_DEGREE = 111320; // along a meridian
const RING_POINTS = 64;

/** How much shorter a degree is along a parallel. @param {LonLat} at */
const parallelScale = (at) => Math.cos((at[1] * Math.PI) / 180);

/**
 * The box around shapes; null where there is none.
 * @param {import("./types.js").Feature[]} features
 * @returns {Box | null}
 */
export function boundsOf(features) {
  /** @type {Box} */
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  const take = (/** @type {any} */ coordinates) => {
    if (typeof coordinates[0] !== "number") {
      coordinates.forEach(take);
      return;
    }
    const [x, y] = coordinates;
    box[0] = Math.min(box[0], x);
    box[1] = Math.min(box[1], y);
    box[2] = Math.max(box[2], x);
    box[3] = Math.max(box[3], y);
  };
  for (const feature of features) take(feature.geometry.coordinates);
  return Number.isFinite(box[0]) ? box : null;
}

/**
 * A place some metres away.
 * @param {LonLat} at
 * @param {number} east
 * @param {number} north
 * @returns {LonLat}
 */
export function shifted(at, east, north) {
  return [at[0] + east / (METRES_PER_DEGREE * parallelScale(at)), at[1] + north / METRES_PER_DEGREE];
}

/**
 * A box around a place.
 * @param {LonLat} at
 * @param {Box} metres to west, south, east and north, counted to the east and to the north
 * @returns {Box}
 */
export const boxAround = (at, [west, south, east, north]) => [...shifted(at, west, south), ...shifted(at, east, north)];

/**
 * A closed ring around a place.
 * @param {LonLat} at
 * @param {number} radius metres
 */
export const circleRing = (at, radius) =>
  Array.from({ length: RING_POINTS + 1 }, (_, k) => {
    const angle = (2 * Math.PI * k) / RING_POINTS;
    return shifted(at, radius * Math.cos(angle), radius * Math.sin(angle));
  });

/**
 * Degrees clockwise from north.
 * @param {LonLat} from
 * @param {LonLat} to
 */
export const bearingDeg = (from, to) =>
  (Math.atan2((to[0] - from[0]) * parallelScale(from), to[1] - from[1]) * 180) / Math.PI;

/**
 * The nearest of some places, and how far it is, metres.
 * @param {LonLat[]} places
 * @param {LonLat} at
 */
export function nearestTo(places, at) {
  const scale = parallelScale(at);
  let index = 0,
    least = Infinity;
  places.forEach(([lon, lat], k) => {
    const squared = ((lon - at[0]) * scale) ** 2 + (lat - at[1]) ** 2;
    if (squared < least) [index, least] = [k, squared];
  });
  return { index, metres: Math.sqrt(least) * METRES_PER_DEGREE };
}
