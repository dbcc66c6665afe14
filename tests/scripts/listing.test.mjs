// Tables that sort and search in the browser.
import assert from "node:assert/strict";
import { test } from "node:test";

import { pageOf, plain } from "./page.mjs";

const { listing } = pageOf("elements.js", "listing.js");
const ROWS = [
  ["S-10", { t: "1 h 02 min", v: 3720 }, "Alder"],
  ["S-9", { t: "47 min", v: 2820 }, "Bittern"],
  [{ t: "S-100", href: "/review?incident=I-1" }, { t: "–", v: -1 }, "Alder wood"],
];
const names = (rows) => plain(rows).map((row) => row[0].t ?? row[0]);

test("without an order the server's stays", () => {
  assert.deepEqual(names(listing.chosen(ROWS, "", null)), ["S-10", "S-9", "S-100"]);
});

test("every word must be in a row, in any cell and in any case", () => {
  assert.deepEqual(names(listing.chosen(ROWS, "  alder ", null)), ["S-10", "S-100"]);
  assert.deepEqual(names(listing.chosen(ROWS, "WOOD s-1", null)), ["S-100"]);
  assert.deepEqual(names(listing.chosen(ROWS, "alder bittern", null)), []);
});

test("numbers inside names sort as numbers", () => {
  assert.deepEqual(names(listing.chosen(ROWS, "", { column: 0, down: false })), ["S-9", "S-10", "S-100"]);
});

test("a cell with a value sorts by it, not by its text", () => {
  assert.deepEqual(names(listing.chosen(ROWS, "", { column: 1, down: true })), ["S-10", "S-9", "S-100"]);
});

test("sorting leaves the server's rows as they are", () => {
  listing.chosen(ROWS, "", { column: 0, down: true });
  assert.deepEqual(names(ROWS), ["S-10", "S-9", "S-100"]);
});
