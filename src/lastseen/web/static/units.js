// @ts-check
/** Metric, with feet beside where they are wanted. */

let feetToo = false;
const FEET = 1 / 0.3048;

export const setFeet = (/** @type {boolean} */ on) => {
  feetToo = on;
};

const grouped = (/** @type {number} */ value, /** @type {number} */ decimals) =>
  value.toLocaleString("en-GB", { maximumFractionDigits: decimals, minimumFractionDigits: decimals });

/**
 * A length, such as "40 m (131 ft)".
 * @param {number | null | undefined} m
 * @param {number} [decimals]
 */
export function metres(m, decimals = 0) {
  if (m === null || m === undefined || !Number.isFinite(m)) return "–";
  const text = `${grouped(m, decimals)} m`;
  return feetToo ? `${text} (${grouped(m * FEET, decimals && m < 3 ? 1 : 0)} ft)` : text;
}

/**
 * An area.
 * @param {number} m2
 */
export function area(m2) {
  const text = `${grouped(m2, 0)} m²`;
  return feetToo ? `${text} (${grouped(m2 * FEET * FEET, 0)} sq ft)` : text;
}

/**
 * A volume.
 * @param {number} m3
 */
export function volume(m3) {
  const text = `${grouped(m3, 0)} m³`;
  return feetToo ? `${text} (${grouped(m3 * FEET ** 3, 0)} cu ft)` : text;
}
