// What every script uses to make and fill elements.
import assert from "node:assert/strict";
import { test } from "node:test";

import { pageOf } from "./page.mjs";

const underair = pageOf("elements.js", "live_choices.js");

test("a template keeps what it has no value for", () => {
  assert.equal(underair.fill("{who}: {count} of {total}", { who: "W-1", count: 0 }), "W-1: 0 of {total}");
});

test("a value is a text and never a pattern", () => {
  assert.equal(underair.fill("{who} is in", { who: "$& {who} <b>" }), "$& {who} <b> is in");
});

test("an attribute that is null or false is removed", () => {
  const element = underair.make("p", { class: "a", hidden: true, title: null, lang: false });
  assert.deepEqual([...element.attributes.keys()], ["class", "hidden"]);
  underair.attribute(element, "class", null);
  assert.equal(element.getAttribute("class"), null);
  underair.attribute(element, "width", 0);
  assert.equal(element.getAttribute("width"), "0");
});

test("this browser's units and times are metric and UTC until somebody chooses", () => {
  assert.equal(underair.choices.query(), "units=metric&offset=");
});

test("no line begins with the dot between two parts", () => {
  const element = underair.make("p");
  underair.text(element, "I-0504 · Cooperage · Fellmire Quay");
  assert.equal(element.textContent, "I-0504\u00a0· Cooperage\u00a0· Fellmire Quay");
});

test("of many names ten are said, and how many more there are", () => {
  const names = (count) => Array.from({ length: count }, (_, number) => `W-${number + 1}`);
  const few = (count) => underair.few(names(count), "{who} and {count} more");
  assert.equal(few(1), "W-1");
  assert.equal(few(10), names(10).join(", "));
  assert.equal(few(11), `${names(10).join(", ")} and 1 more`);
  assert.equal(few(190), `${names(10).join(", ")} and 180 more`);
});
