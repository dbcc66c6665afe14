// One wearer's strip in pixels: line so far, silence, forecast with its interval.
import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { pageOf } from "./page.mjs";

const CLOCK = { now: 1000, from: 400, ahead_s: 600, top: 300 };
const STRIP = {
  from: 500, start: 500, started_bar: 300, last: [1000, 150], low: 50, silent: null,
  fan: [[100, 60, 120, 240], [50, 120, 240, 480]],
  turn_back: [0, 60, 120], turn_back_bar: 140, turned: null, low_air: [120, 240, 480],
};
let underair, root;
const d = (part) => root.parts[part].getAttribute("d");

beforeEach(() => {
  underair = pageOf("elements.js", "live_strip.js");
  underair.state = { lines: { "S-1": [[500, 300], [750, 225]] } };
  underair.rescale(CLOCK, 600, 58);
  root = underair.strip.make();
});

test("all strips share one clock: half a pixel a second here, now in the middle", () => {
  assert.equal(underair.scale.perSecond, 0.5);
  assert.equal(underair.at(400), 0);
  assert.equal(underair.at(1000), 300);
});

test("only another scale draws the lines again, not each passing second", () => {
  const before = underair.scale.version;
  underair.rescale({ ...CLOCK, now: 1001, from: 401 }, 600, 58);
  assert.equal(underair.scale.version, before);
  underair.rescale(CLOCK, 500, 58);
  assert.equal(underair.scale.version, before + 1);
});

test("the line goes through the readings; its tail ends at the last one", () => {
  underair.strip.paint(root, STRIP, "S-1", "M0 0");
  assert.equal(d("line"), "M0.0 4.0L125.0 16.5"); // 50 px for 300 bar, below 4 px of margin
  assert.equal(root.parts.line.getAttribute("transform"), "translate(50.0 0)");
  assert.equal(d("tail"), "M175.0 16.5L300.0 29.0");
  assert.equal(root.parts.dot.getAttribute("cx"), "300.0");
});

test("new readings are added to the line that is drawn", () => {
  underair.strip.paint(root, STRIP, "S-1", "");
  underair.state.lines["S-1"].push([1000, 150]);
  underair.strip.paint(root, STRIP, "S-1", "");
  assert.equal(d("line"), "M0.0 4.0L125.0 16.5L250.0 29.0");
});

test("the course before a rise is drawn too, with a break between", () => {
  underair.state.lines["S-1"] = [[500, 300], [700, 225], [750, null], [750, 300], [900, 270]];
  underair.strip.paint(root, { ...STRIP, from: 500, start: 750 }, "S-1", "");
  assert.equal(d("line"), "M0.0 4.0L100.0 16.5M125.0 4.0L200.0 9.0");
});

test("the air of whoever had the set before is not drawn", () => {
  underair.state.lines["S-1"] = [[500, 300], [700, 225], [800, 210], [900, 200]];
  underair.strip.paint(root, { ...STRIP, from: 750, start: 750, last: [1000, 190] }, "S-1", "");
  assert.ok(d("line").startsWith("M25.0 ") && !d("line").includes("M0.0"));
});

test("a silent set is hatched from its last reading to the edge; one that is heard is not", () => {
  underair.strip.paint(root, { ...STRIP, last: [900, 180], silent: 100 }, "S-1", "");
  assert.equal(root.parts.hatch.getAttribute("x"), "250.0");
  assert.equal(root.parts.hatch.getAttribute("width"), "350.0");
  assert.ok(root.classes.has("silent"));
  underair.strip.paint(root, STRIP, "S-1", "");
  assert.equal(root.parts.hatch.getAttribute("width"), "0");
  assert.ok(!root.classes.has("silent"));
});

test("the fan spans the early and the late end; its middle is the median", () => {
  underair.strip.paint(root, STRIP, "S-1", "");
  assert.equal(d("fan"), "M300.0 29.0L330.0 37.3L360.0 45.7L540.0 45.7L420.0 37.3Z");
  assert.equal(d("middle"), "M300.0 29.0L360.0 37.3L420.0 45.7");
});

test("without a forecast there is neither fan nor mark, though an earlier one was drawn", () => {
  underair.strip.paint(root, STRIP, "S-1", "");
  underair.strip.paint(root, { ...STRIP, fan: [], turn_back: null, low_air: null }, "S-1", "");
  for (const part of ["fan", "middle", "turn", "turnMark", "low", "lowMark"]) assert.equal(d(part), null, part);
});

test("an interval that leaves the picture has no late end drawn, and no mark beyond the edge", () => {
  underair.strip.paint(root, { ...STRIP, low_air: [500, 900, 1200] }, "S-1", "");
  assert.ok(d("low").endsWith("H600.0"), d("low"));
  assert.equal(d("lowMark"), null);
  underair.strip.paint(root, STRIP, "S-1", "");
  assert.ok(d("low").endsWith("m0 -4v8"), d("low"));
});

test("the turn-back that was reached is marked where it was", () => {
  underair.strip.paint(root, { ...STRIP, turn_back: null, turned: 900 }, "S-1", "");
  assert.equal(root.parts.turnMark.getAttribute("transform"), "translate(250.0 30.7)");
});

test("a row without air has an empty strip", () => {
  underair.strip.paint(root, STRIP, "S-1", "");
  underair.strip.paint(root, null, "S-1", "");
  assert.ok(root.classes.has("empty"));
});

test("states differ in outline; an unknown one has the outline of another alarm", () => {
  const outline = (name) => underair.shape(name).firstChild.getAttribute("d");
  const known = ["distress", "no_motion", "not_accounted", "losing_air", "low_air", "silent", "turn_back", "under_air"];
  assert.equal(new Set(known.map(outline)).size, known.length);
  assert.equal(outline("never_heard_of"), outline("other_alarm"));
});
