// Makes and updates elements, for the scripts of every page. Text always goes in as text, never as markup.
"use strict";
const underair = (window.underair = /** @type {Underair} */ ({}));
(() => {
  const MOST_NAMED = 10;
  // From attributes: `on...` is a listener, true an attribute without a value, null and false none.
  underair.make = (tag, attributes = {}, ...children) => {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
      else if (value === true) element.setAttribute(name, "");
      else if (value !== false && value != null) element.setAttribute(name, value);
    }
    element.append(...children);
    return element;
  };
  // The dot between two parts stays with the first of them: no line begins with it.
  underair.text = (element, value) => {
    const shown = typeof value === "string" ? value.replaceAll(" · ", "\u00a0· ") : value;
    if (element.textContent !== shown) element.textContent = shown;
  };
  underair.attribute = (element, name, value) => {
    if (value == null || value === false) element.removeAttribute(name);
    else if (element.getAttribute(name) !== String(value)) element.setAttribute(name, value);
  };
  underair.fill = (template, values) =>
    template.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
  // A sentence with a hundred names is not read.
  underair.few = (names, template) => {
    const who = names.slice(0, MOST_NAMED).join(", ");
    return names.length > MOST_NAMED ? underair.fill(template, { who, count: names.length - MOST_NAMED }) : who;
  };

  // Keeps one element for each key, in the given order, without touching what did not change.
  underair.keyed = (parent, items, create, update) => {
    const known = (parent.known ??= new Map());
    const focused = /** @type {HTMLElement | null} */ (document.activeElement);
    const present = new Set();
    let place = parent.firstElementChild;
    for (const item of items) {
      const { key } = /** @type {any} */ (item);
      present.add(key);
      let element = known.get(key);
      if (!element) known.set(key, (element = create(item)));
      update(element, item);
      if (element === place) place = place.nextElementSibling;
      else parent.insertBefore(element, place);
    }
    for (const [key, element] of known) {
      if (present.has(key)) continue;
      element.remove();
      known.delete(key);
    }
    // A moved element loses the focus; whoever works with the keyboard keeps their place.
    if (focused && focused !== document.activeElement && parent.contains(focused)) {
      focused.focus({ preventScroll: true });
    }
  };

  underair.options = (select, items) => {
    const wanted = items.map((one) => one.id).join("\n");
    if (select.dataset.wanted === wanted) return;
    const before = select.value; // a datalist has none
    select.dataset.wanted = wanted;
    select.replaceChildren(...items.map((one) => underair.make("option", { value: one.id }, one.text)));
    if (items.some((one) => one.id === before)) select.value = before;
  };

  // An end for a request that nobody answers.
  // @ts-ignore: in browsers since 2022, unknown to the TypeScript of Debian 12
  underair.endAfter = (milliseconds) => AbortSignal.timeout(milliseconds);

  // From properties, such as textContent and className.
  underair.element = (tag, properties = {}, ...children) => {
    const node = document.createElement(tag);
    Object.assign(node, properties);
    node.append(...children);
    return node;
  };
})();
