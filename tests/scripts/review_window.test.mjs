// The bench's window and cursor, in milliseconds.
import assert from "node:assert/strict";
import { test } from "node:test";

import { pageOf, plain } from "./page.mjs";

const { windows } = pageOf("elements.js", "review_window.js");
const WHOLE = [100_000, 700_000];

test("a window stays inside the incident and keeps its length", () => {
  assert.deepEqual(plain(windows.within(50_000, 150_000, WHOLE)), [100_000, 200_000]);
  assert.deepEqual(plain(windows.within(650_000, 750_000, WHOLE)), [600_000, 700_000]);
  assert.deepEqual(plain(windows.within(200_000, 300_000, WHOLE)), [200_000, 300_000]);
});

test("a window is never shorter than two seconds and never longer than the incident", () => {
  assert.deepEqual(plain(windows.within(300_000, 300_000, WHOLE)), [299_000, 301_000]);
  assert.deepEqual(plain(windows.within(0, 9_000_000, WHOLE)), WHOLE);
});

test("zooming keeps the cursor's place on the screen", () => {
  const [from, to] = windows.zoomed([200_000, 300_000], 225_000, 0.5);
  assert.equal(windows.shareOf(225_000, [from, to]), windows.shareOf(225_000, [200_000, 300_000]));
  assert.equal(to - from, 50_000);
});

test("a cursor outside the window does not pull the zoom", () => {
  assert.deepEqual(plain(windows.zoomed([200_000, 300_000], 500_000, 0.5)), [225_000, 275_000]);
  assert.deepEqual(plain(windows.zoomed([200_000, 300_000], null, 2)), [150_000, 350_000]);
});

test("earlier and later move by a share of the window", () => {
  assert.deepEqual(plain(windows.moved([200_000, 300_000], -0.5)), [150_000, 250_000]);
  assert.deepEqual(plain(windows.around(200_000, 20_000)), [190_000, 210_000]);
});

test("the whole incident is known as such", () => {
  assert.ok(windows.covers(WHOLE, WHOLE));
  assert.ok(!windows.covers([100_001, 700_000], WHOLE));
  assert.ok(!windows.covers([100_000, 699_999], WHOLE));
});

test("a place of the drawing is a moment, and nothing beside the axes is", () => {
  const axis = { left: 50, width: 200 };
  assert.equal(windows.momentAt(150, axis, [0, 1000]), 500);
  assert.equal(windows.momentAt(50, axis, [0, 1000]), 0);
  assert.equal(windows.momentAt(250, axis, [0, 1000]), 1000);
  assert.equal(windows.momentAt(49, axis, [0, 1000]), null);
  assert.equal(windows.momentAt(251, axis, [0, 1000]), null);
});

test("an address has only what differs from the page's own choice", () => {
  const parts = { incident: "I-1", people: "", zone: "UTC", units: "metric", at: null, overlay: undefined };
  assert.equal(String(windows.query(parts)), "incident=I-1");
  assert.equal(String(windows.query({ ...parts, zone: "Europe/Berlin", units: "imperial", from: "0" })),
    "incident=I-1&zone=Europe%2FBerlin&units=imperial&from=0");
});

test("a note's moment is written on the shown clock, and with its offset where that clock has an hour twice", () => {
  const at = Date.UTC(2031, 4, 4, 19, 12, 5);
  assert.equal(windows.written(at, "UTC", false), "2031-05-04T19:12:05");
  assert.equal(windows.written(at, "Europe/Berlin", false), "2031-05-04T21:12:05");
  assert.equal(windows.written(at, "Europe/Berlin", true), "2031-05-04T19:12:05.000+00:00");
});
