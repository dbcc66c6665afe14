// Builds tables from data, plain ones (`data-plain`) and those that sort and search (`data-listing`): see
// dashboard/elements.py. Words come with the data.
"use strict";
(() => {
  const { element } = underair;
  const LONG = 19; // letters; a date with its time stays in one line
  const textOf = (cell) => (typeof cell === "string" ? cell : cell.t);
  const valueOf = (cell) => (typeof cell === "string" ? cell : cell.v ?? cell.t);

  function compare(a, b) {
    if (typeof a === "number" && typeof b === "number") return a - b;
    return String(a).localeCompare(String(b), undefined, { numeric: true });
  }

  // The rows that contain every word, in the order asked for; without an order, in the server's.
  function chosen(rows, wanted, order) {
    const terms = wanted.toLowerCase().split(/\s+/).filter(Boolean);
    const found = rows.filter((row) => {
      const text = row.map(textOf).join(" ").toLowerCase();
      return terms.every((word) => text.includes(word));
    });
    if (!order) return found;
    const sign = order.down ? -1 : 1;
    return found.sort((a, b) => sign * compare(valueOf(a[order.column]), valueOf(b[order.column])));
  }

  function cellContent(cell) {
    if (typeof cell === "string") return cell;
    if (cell.href) return element("a", { href: cell.href, textContent: cell.t });
    if (cell.jump) {
      const button = element("button", { type: "button", className: "jump", textContent: cell.t });
      button.dataset.jump = JSON.stringify(cell.jump);
      return button;
    }
    return cell.t;
  }

  function build(host) {
    const data = JSON.parse(host.dataset.listing);
    host.removeAttribute("data-listing");
    const heading = element("h2", { textContent: data.caption, id: `${host.id}-caption` });
    host.append(heading);
    if (data.note) host.append(element("p", { className: "note", textContent: data.note }));
    if (!data.rows.length) {
      host.append(element("p", { className: "empty", textContent: data.empty }));
      return;
    }
    let wanted = "";
    let order = null;
    let limit = data.page;
    const body = element("tbody");
    const count = element("span", { className: "count" });
    const more = element("button", { type: "button", className: "more" });
    const heads = data.heads.map((text, column) => {
      const button = element("button", { type: "button", textContent: text });
      button.addEventListener("click", () => {
        order = { column, down: order?.column === column && !order.down };
        heads.forEach((head, i) => {
          if (i === column) head.setAttribute("aria-sort", order.down ? "descending" : "ascending");
          else head.removeAttribute("aria-sort");
        });
        draw();
      });
      const head = element("th", { scope: "col" }, button);
      if (data.numeric.includes(column)) head.classList.add("number");
      return head;
    });

    function draw() {
      const rows = chosen(data.rows, wanted, order);
      body.replaceChildren(
        ...rows.slice(0, limit).map((row) =>
          element("tr", {}, ...row.map((cell, column) => {
            const made = element("td", {}, cellContent(cell));
            if (data.numeric.includes(column)) made.classList.add("number");
            if (textOf(cell).length > LONG) made.classList.add("long");
            return made;
          })),
        ),
      );
      const rest = rows.length - limit;
      more.hidden = rest <= 0;
      more.textContent = underair.fill(data.more, { count: Math.min(rest, data.page) });
      count.textContent = underair.fill(data.found, { shown: Math.min(limit, rows.length), total: data.rows.length });
    }

    more.addEventListener("click", () => {
      limit += data.page;
      draw();
    });
    if (data.search) {
      const box = element("input", { type: "search", placeholder: data.search[1], id: `${host.id}-find` });
      box.addEventListener("input", () => {
        wanted = box.value;
        limit = data.page;
        draw();
      });
      const label = element("label", { htmlFor: box.id, textContent: data.search[0] });
      host.append(element("div", { className: "find" }, label, box, count));
    }
    const table = element("table", {}, element("thead", {}, element("tr", {}, ...heads)), body);
    table.setAttribute("aria-labelledby", heading.id);
    const scroller = element("div", { className: "scroller", tabIndex: 0 }, table);
    scroller.setAttribute("role", "region");
    scroller.setAttribute("aria-labelledby", heading.id);
    host.append(scroller, more);
    draw();
  }

  function buildPlain(host) {
    const { heads, rows, named } = JSON.parse(host.dataset.plain);
    host.removeAttribute("data-plain");
    const head = element("tr", {}, ...heads.map((text) => element("th", { scope: "col", textContent: text })));
    const body = rows.map((row) => {
      const cells = row.map((text) => element("td", { textContent: text }));
      if (named) cells[0] = element("th", { scope: "row", textContent: row[0] });
      return element("tr", {}, ...cells);
    });
    host.append(element("table", {}, element("thead", {}, head), element("tbody", {}, ...body)));
  }

  underair.listing = { chosen };
  const buildAll = () => {
    for (const host of document.querySelectorAll("[data-listing], [data-plain]")) {
      if (/** @type {HTMLElement} */ (host).dataset.plain) buildPlain(host);
      else build(host);
    }
  };
  new MutationObserver(buildAll).observe(document.documentElement, { childList: true, subtree: true });
  buildAll();
})();
