/** Places in degrees: boxes, distances, directions. */

import assert from "node:assert/strict";
import { test } from "node:test";

import {
  bearingDeg,
  boundsOf,
  boxAround,
  circleRing,
  nearestTo,
  shifted,
} from "../../../src/lastseen/web/static/geometry.js";

const HERE = [4.34, 65.82];

/** Great-circle distance, m (haversine; sphere of 6,378,137 m): the independent measure. */
function distance([lon1, lat1], [lon2, lat2]) {
  const rad = Math.PI / 180;
  const a =
    Math.sin(((lat2 - lat1) * rad) / 2) ** 2 +
    Math.cos(lat1 * rad) * Math.cos(lat2 * rad) * Math.sin(((lon2 - lon1) * rad) / 2) ** 2;
  return 2 * 6378137 * Math.asin(Math.sqrt(a));
}

test("a shifted place is as far away as asked for", () => {
  for (const [east, north] of [
    [100, 0],
    [0, -250],
    [-300, 400],
  ]) {
    const far = distance(HERE, shifted(HERE, east, north));
    assert.ok(Math.abs(far / Math.hypot(east, north) - 1) < 0.001, `${far}`);
  }
});

test("a ring closes and keeps its radius", () => {
  const ring = circleRing(HERE, 50);
  assert.equal(ring.length, 65);
  assert.ok(distance(ring[0], ring[64]) < 1e-6);
  for (const corner of ring) assert.ok(Math.abs(distance(HERE, corner) - 50) < 0.1);
});

test("bearings count clockwise from north", () => {
  for (const [east, north, degrees] of [
    [0, 100, 0],
    [100, 0, 90],
    [0, -100, 180],
    [-100, 0, -90],
    [100, 100, 45],
  ]) {
    assert.ok(Math.abs(bearingDeg(HERE, shifted(HERE, east, north)) - degrees) < 0.01);
  }
});

test("the box of shapes holds all their corners, whatever their depth", () => {
  const feature = (coordinates) => ({ geometry: { coordinates } });
  const features = [
    feature([5, 6]),
    feature([
      [1, 2],
      [3, 1],
    ]),
    feature([
      [
        [
          [4, 9],
          [2, 3],
        ],
      ],
    ]),
  ];
  assert.deepEqual(boundsOf(features), [1, 1, 5, 9]);
  assert.equal(boundsOf([]), null);
});

test("a box around a place has its sides where they were asked for", () => {
  const [west, south, east, north] = boxAround(HERE, [-100, -50, 200, 300]);
  assert.ok(west < HERE[0] && HERE[0] < east && south < HERE[1] && HERE[1] < north);
  assert.ok(Math.abs((east - HERE[0]) / (HERE[0] - west) - 2) < 1e-6);
  assert.ok(Math.abs((north - HERE[1]) / (HERE[1] - south) - 6) < 1e-6);
});

test("the nearest place and its distance", () => {
  const places = [shifted(HERE, 500, 0), shifted(HERE, 30, 40), shifted(HERE, 0, -60)];
  const found = nearestTo(places, HERE);
  assert.equal(found.index, 1);
  assert.ok(Math.abs(found.metres - 50) < 0.1);
});
