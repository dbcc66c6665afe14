// A page without a browser: just enough of a document for what the scripts compute. Painting is tested in Chromium.
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import vm from "node:vm";

const ASSETS = fileURLToPath(new URL("../../dashboard/assets/", import.meta.url));

class FakeElement {
  constructor(tag) {
    this.tag = tag;
    this.attributes = new Map();
    this.children = [];
    this.dataset = {};
    this.style = {};
    this.classes = new Set();
    this.classList = {
      toggle: (name, on) => (on ? this.classes.add(name) : this.classes.delete(name)),
      add: (name) => this.classes.add(name),
    };
  }
  append(...children) { this.children.push(...children); }
  setAttribute(name, value) { this.attributes.set(name, String(value)); }
  getAttribute(name) { return this.attributes.get(name) ?? null; }
  removeAttribute(name) { this.attributes.delete(name); }
  addEventListener() {}
  get firstChild() { return this.children[0] ?? null; }
}

class Observer { observe() {} disconnect() {} }

// Runs the named scripts in one page, in the given order, and returns what they share.
export function pageOf(...scripts) {
  const document = {
    createElement: (tag) => new FakeElement(tag),
    createElementNS: (_, tag) => new FakeElement(tag),
    querySelector: () => null,
    querySelectorAll: () => [],
    getElementById: () => null,
    addEventListener: () => {},
    documentElement: new FakeElement("html"),
  };
  const kept = new Map();
  const page = {
    document, URLSearchParams, MutationObserver: Observer, IntersectionObserver: Observer, performance,
    localStorage: { getItem: (name) => kept.get(name) ?? null, setItem: (name, value) => kept.set(name, value), removeItem: (name) => kept.delete(name) },
    addEventListener: () => {},
    location: { pathname: "/", search: "" },
    setTimeout, clearTimeout, setInterval: () => 0, clearInterval: () => {},
  };
  page.window = page;
  vm.createContext(page);
  for (const name of scripts) vm.runInContext(readFileSync(`${ASSETS}${name}`, "utf8"), page, { filename: name });
  return page.underair;
}

// Values of another realm as plain ones, so that they can be compared.
export const plain = (value) => JSON.parse(JSON.stringify(value));
