/** Numbers as people read them: lengths, areas, shares, times, sizes of files. */

import assert from "node:assert/strict";
import { afterEach, test } from "node:test";

import { withFixedSpaces } from "../../../src/lastseen/web/static/dom.js";
import { T } from "../../../src/lastseen/web/static/text.js";
import { area, metres, setFeet, volume } from "../../../src/lastseen/web/static/units.js";

afterEach(() => setFeet(false));

test("metres, with thousands apart, and a dash where nothing is known", () => {
  assert.equal(metres(40), "40 m");
  assert.equal(metres(12345.6), "12,346 m");
  assert.equal(metres(1.234, 2), "1.23 m");
  for (const missing of [null, undefined, NaN, Infinity]) assert.equal(metres(missing), "–");
});

test("feet stand beside metres where they are wanted: 1 ft is 0.3048 m exactly", () => {
  setFeet(true);
  assert.equal(metres(40), "40 m (131 ft)");
  assert.equal(metres(1, 1), "1.0 m (3.3 ft)");
  assert.equal(area(100), "100 m² (1,076 sq ft)");
  assert.equal(volume(1000), "1,000 m³ (35,315 cu ft)");
});

test("shares close to nothing and to all say so", () => {
  for (const [share, text] of [
    [0, "0 %"],
    [0.0004, "under 0.1 %"],
    [0.0005, "0.1 %"],
    [0.5, "50 %"],
    [0.1234, "12.3 %"],
    [0.9996, "over 99.9 %"],
    [1, "100 %"],
  ]) {
    assert.equal(T.percent(share), text);
  }
});

test("minutes and seconds, rounded before they are taken apart", () => {
  for (const [seconds, text] of [
    [0, "0 s"],
    [59.4, "59 s"],
    [59.6, "1 min 00 s"],
    [61, "1 min 01 s"],
    [3725, "62 min 05 s"],
  ]) {
    assert.equal(T.minutes(seconds), text);
  }
});

test("sizes of files", () => {
  assert.equal(T.hand.size(1), "1 kB");
  assert.equal(T.hand.size(999_499), "999 kB");
  assert.equal(T.hand.size(1_500_000), "1.5 MB");
});

test("one lane is no lanes", () => {
  const laid = { way: "along", covered: "99 %", time: "1 min 00 s" };
  assert.match(T.search.laid({ ...laid, lanes: 1 }), /^1 lane along/);
  assert.match(T.search.laid({ ...laid, lanes: 2 }), /^2 lanes along/);
});

test("a number stays on one line with its unit, and powers of metres are written as such", () => {
  assert.equal(withFixedSpaces("40 m2 of 3 m, 35 degrees"), "40\u00a0m² of 3\u00a0m, 35\u00a0degrees");
  assert.equal(withFixedSpaces("3 men"), "3 men");
});
