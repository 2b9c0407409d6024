/** The clock that the page, the one-file page and the replay share. */

import assert from "node:assert/strict";
import { test } from "node:test";

import { Clock, sharesWalked, valuesAt } from "../../../src/lastseen/output/onefile/clock.js";

/** A clock whose frames are drawn by hand; `frame(ms)` is what the browser would call. */
function makeClock({ end = 10, speed = 2, reducesMotion = undefined } = {}) {
  const waiting = [];
  globalThis.requestAnimationFrame = (draw) => waiting.push(draw);
  const turns = [];
  let shown = 0;
  const clock = new Clock({
    end: () => end,
    speed: () => speed,
    show: () => (shown += 1),
    turned: (playing) => turns.push(playing),
    reducesMotion,
  });
  return { clock, turns, frame: (ms) => waiting.shift()?.(ms), waiting, shown: () => shown };
}

test("a set time stays within 0 and the end, and is drawn", () => {
  const { clock, shown } = makeClock();
  for (const [given, found] of [
    [4, 4],
    [-3, 0],
    [99, 10],
  ]) {
    clock.set(given);
    assert.equal(clock.seconds, found);
  }
  assert.equal(shown(), 3);
});

test("playing moves by the time between frames, times the speed, and stops at the end", () => {
  const { clock, frame, turns, waiting } = makeClock({ end: 10, speed: 2 });
  clock.toggle();
  frame(1000); // the first frame tells only when it began
  assert.equal(clock.seconds, 0);
  frame(2500);
  assert.equal(clock.seconds, 3);
  frame(9000);
  assert.equal(clock.seconds, 10);
  assert.equal(clock.playing, false);
  assert.deepEqual(turns, [true, false]);
  assert.equal(waiting.length, 0);
});

test("a stopped clock stays where it is, and goes on from there", () => {
  const { clock, frame } = makeClock();
  clock.play();
  frame(1000);
  frame(2000);
  clock.stop();
  frame(5000);
  assert.equal(clock.seconds, 2);
  clock.play();
  frame(60_000);
  frame(61_000);
  assert.equal(clock.seconds, 4);
});

test("from the end, or nearly, playing begins anew", () => {
  const { clock } = makeClock();
  clock.set(9.6);
  clock.play();
  assert.equal(clock.seconds, 0);
  clock.stop();
  clock.set(9.4);
  clock.play();
  assert.equal(clock.seconds, 9.4);
});

test("where people asked for little motion it jumps to the end", () => {
  const { clock, frame } = makeClock({ reducesMotion: () => true });
  clock.play();
  frame(1000);
  assert.equal(clock.seconds, 10);
  assert.equal(clock.playing, false);
});

test("a clock that is stopped while it draws asks for no more frames", () => {
  const { clock, frame, waiting } = makeClock();
  clock.dial.show = () => (clock.playing = false);
  clock.play();
  frame(1000);
  frame(2000);
  assert.equal(waiting.length, 0);
});

test("shares of legs: those behind are whole, the one that is walked is part, the rest has not begun", () => {
  assert.deepEqual(sharesWalked([10, 20, 30], 0), [0]);
  assert.deepEqual(sharesWalked([10, 20, 30], 15), [1, 0.25]);
  assert.deepEqual(sharesWalked([10, 20, 30], 30), [1, 1, 0]);
  assert.deepEqual(sharesWalked([10, 20, 30], 99), [1, 1, 1]);
  assert.deepEqual(sharesWalked([0, 10], 5), [1, 0.5]); // a leg that takes no time is behind at once
  assert.deepEqual(sharesWalked([], 5), []);
});

test("values lie on straight lines between rows and stay beyond the ends", () => {
  const rows = [
    [0, 0, 10],
    [10, 1, 20],
    [30, 1, 0],
  ];
  assert.deepEqual(valuesAt(rows, 5), [0.5, 15]);
  assert.deepEqual(valuesAt(rows, 10), [1, 20]);
  assert.deepEqual(valuesAt(rows, 20), [1, 10]);
  assert.deepEqual(valuesAt(rows, -5), [0, 10]);
  assert.deepEqual(valuesAt(rows, 99), [1, 0]);
});

test("a value is known only where it is on both sides", () => {
  const rows = [
    [0, null],
    [1, 5],
    [2, null],
  ];
  assert.deepEqual(valuesAt(rows, 0.5), [null]);
  assert.deepEqual(valuesAt(rows, 1), [5]);
  assert.deepEqual(valuesAt(rows, 1.5), [null]);
});

test("upright steps of a curve keep both of their values", () => {
  const rows = [
    [0, 100],
    [10, 80],
    [10.0001, 40],
    [20, 40],
  ];
  assert.deepEqual(valuesAt(rows, 10), [80]);
  assert.deepEqual(valuesAt(rows, 10.0001), [40]);
});
