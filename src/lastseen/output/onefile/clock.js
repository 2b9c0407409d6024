// @ts-check
/**
 * The clock that people play, stop and set, and what lies between two known times.
 *
 * The page of the local server imports this module; the one-file page and the replay carry its text.
 */

/**
 * @typedef {Object} Dial
 * @property {() => number} end last time, s
 * @property {() => number} speed seconds of the clock in one second of the screen
 * @property {() => void} show draws what is there at the time of the clock
 * @property {(playing: boolean) => void} turned called when the clock begins to run and when it stops
 * @property {() => boolean} [reducesMotion] whether to jump to the end instead of moving
 */

const NEARLY_S = 0.5; // so near to the end, playing begins anew

export class Clock {
  /** @param {Dial} dial */
  constructor(dial) {
    this.dial = dial;
    this.seconds = 0;
    this.playing = false;
    this.stamp = 0;
  }

  /** Set the time, within 0 and the end, and draw. @param {number} seconds */
  set(seconds) {
    this.seconds = Math.min(this.dial.end(), Math.max(0, seconds));
    this.dial.show();
  }

  /** Play, or stop. */
  toggle() {
    if (this.playing) this.stop();
    else this.play();
  }

  /** Run from the time that it is, or from 0 at the end. */
  play() {
    if (this.seconds >= this.dial.end() - NEARLY_S) this.seconds = 0;
    this.playing = true;
    this.stamp = 0;
    this.dial.turned(true);
    requestAnimationFrame((stamp) => this.frame(stamp));
  }

  /** Stay at the time that it is. */
  stop() {
    this.playing = false;
    this.dial.turned(false);
  }

  /** Move on by what has passed on the screen. @param {number} stamp ms */
  frame(stamp) {
    if (!this.playing) return;
    const passed = this.stamp ? ((stamp - this.stamp) / 1000) * this.dial.speed() : 0;
    this.stamp = stamp;
    this.set(this.dial.reducesMotion?.() ? this.dial.end() : this.seconds + passed);
    if (this.seconds >= this.dial.end()) this.stop();
    else requestAnimationFrame((next) => this.frame(next));
  }
}

/**
 * Share of each leg that is walked, for the legs that have begun.
 * @param {number[]} times of the legs, s
 * @param {number} seconds
 */
export function sharesWalked(times, seconds) {
  const shares = [];
  let left = seconds;
  for (const time of times) {
    if (left < 0) break;
    shares.push(time > 0 ? Math.min(1, left / time) : 1);
    left -= time;
  }
  return shares;
}

/**
 * Values between two rows of a table, on straight lines; beyond its ends those of the first or the last row.
 * @template {number | null} Value
 * @param {Array<[number, ...Value[]]>} rows each begins with the time, times rise
 * @param {number} time
 * @returns {Value[]} null where a value is not known on both sides
 */
export function valuesAt(rows, time) {
  const found = rows.findIndex(([start]) => start >= time);
  const next = found < 0 ? rows.length - 1 : found;
  const [from, ...before] = rows[Math.max(0, next - 1)];
  const [to, ...after] = rows[next];
  const share = to > from ? Math.min(1, (time - from) / (to - from)) : 1;
  return /** @type {Value[]} */ (
    after.map((value, k) => {
      const start = before[k];
      return value === null || (start === null && share < 1)
        ? null
        : start === null
          ? value
          : start + share * (value - start);
    })
  );
}
