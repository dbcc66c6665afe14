// The rows: one for each set, in the order of need, and the axis above them.
"use strict";
(() => {
  const REORDER_MS = 5000; // rows do not jump under a finger; the gravest come to the top at once
  const MOVED_MS = 6000;
  const NEW_AT_ONCE = 25;
  const LABEL_PX = 64; // room for one label of the axis
  const HAND_MS = 1500; // so long after a pointer moved over the rows they keep their places for it ...
  const LONGEST_HAND_MS = 4000; // ... but no longer than this, when the vehicle shakes the hand
  let words, axis, rows, hold, held = false, order = [], orderedAt = 0, handAt = -Infinity, wantedAt = null;
  let classes = new Map();

  const cell = (name, ...children) => underair.make("div", { class: name }, ...children);

  const makeRow = () => {
    const parts = {
      shape: underair.shape("under_air"),
      strip: underair.strip.make(),
    };
    for (const name of ["state", "why", "who", "team", "sub", "label", "left", "range", "air", "air_sub", "aside"]) {
      parts[name] = underair.make("span", { class: name });
    }
    const row = underair.make(
      "li", { class: "row", tabindex: "-1" },
      cell("c-state", parts.shape, parts.state, parts.why),
      cell("c-who", cell("name", parts.who, parts.team), parts.sub),
      cell("c-left", parts.label, parts.left, parts.range),
      cell("c-air", parts.air, parts.air_sub),
      cell("c-strip", parts.strip, parts.aside),
    );
    row.parts = parts;
    nearby.observe(row);
    return row;
  };

  const paintRow = (row, item, grid) => {
    const { parts } = row;
    for (const name of ["state", "why", "who", "team", "sub", "label", "left", "range", "air", "air_sub", "aside"]) {
      underair.text(parts[name], item[name]);
    }
    underair.reshape(parts.shape, item.a);
    underair.attribute(row, "data-a", item.a);
    underair.attribute(row, "data-key", item.key);
    row.classList.toggle("silent", item.silent);
    row.classList.toggle("over", item.over);
    row.item = item;
    row.grid = grid;
    if (row.near) underair.strip.paint(parts.strip, item.strip, item.key, grid);
  };

  // Strips far off the screen are not drawn; one that comes near is drawn at once.
  const nearby = new IntersectionObserver(
    (entries) => {
      for (const { target: row, isIntersecting } of entries) {
        row.near = isIntersecting;
        if (row.near && row.item) underair.strip.paint(row.parts.strip, row.item.strip, row.item.key, row.grid);
      }
    },
    { rootMargin: "300px" },
  );

  // Many new rows come in lots, so that the page stays quick while they do.
  const inLots = (items) => {
    let room = NEW_AT_ONCE;
    return items.filter((item) => rows.known?.has(item.key) || (room -= 1) >= 0);
  };

  // Few rows use the room there is, in steps, so that nothing creeps.
  const stripHeight = (count) => {
    const room = (window.innerHeight - rows.getBoundingClientRect().top - window.scrollY - 60) / Math.max(count, 1) - 10;
    return [72, 58, 46].find((height) => height <= room) ?? 46;
  };

  const inOrder = (items) => {
    const now = performance.now();
    const byKey = new Map(items.map((item) => [item.key, item]));
    const urgent = (item) => item.a === "distress" || item.a === "no_motion";
    const changed = items.filter((item) => classes.has(item.key) && classes.get(item.key) !== item.a);
    const fresh = items.length !== order.length || items.some((item) => !order.includes(item.key));
    if (changed.some(urgent)) wantedAt ??= now;
    else if (fresh || now - orderedAt > REORDER_MS) wantedAt ??= now;
    const hand = wantedAt != null && now - handAt < HAND_MS && now - wantedAt < LONGEST_HAND_MS;
    if (wantedAt != null && !held && !hand && !rows.matches(":active")) {
      order = items.map((item) => item.key);
      orderedAt = now;
      wantedAt = null;
    } else if (fresh) {
      // Whoever is new stands last until the order is free again, and nobody is left out.
      order = [...order.filter((key) => byKey.has(key)), ...items.map((item) => item.key).filter((key) => !order.includes(key))];
    }
    showHold(items);
    classes = new Map(items.map((item) => [item.key, item.a]));
    return { sorted: order.filter((key) => byKey.has(key)).map((key) => byKey.get(key)), changed };
  };

  const showHold = (items) => {
    const elsewhere = held ? items.filter((item, place) => order[place] !== item.key).length : 0;
    underair.text(hold, held ? underair.fill(words.held, { count: elsewhere }) : words.hold);
    underair.attribute(hold, "aria-pressed", String(held));
    hold.classList.toggle("on", held);
  };
  const toggleHold = () => {
    held = !held;
    if (!held) wantedAt = performance.now() - LONGEST_HAND_MS;
    underair.list.paint(underair.state.data);
  };

  const gridPath = (data) => {
    const marks = [];
    const step = [300, 600, 900, 1200].find((one) => one * underair.scale.perSecond > LABEL_PX) ?? 1800;
    const near = LABEL_PX / 2 / underair.scale.perSecond;
    for (let moment = Math.ceil((data.from + near / 2) / step) * step; moment < data.now - near; moment += step) {
      marks.push({ x: underair.at(moment), text: new Date((moment + data.offset_s) * 1000).toISOString().slice(11, 16) });
    }
    marks.push({ x: underair.at(data.now), text: words.now, now: true, kind: "tick now" });
    const stepAhead = [600, 900].find((one) => one * underair.scale.perSecond > LABEL_PX - 8) ?? 1800;
    for (let seconds = stepAhead; seconds < data.ahead_s; seconds += stepAhead) {
      marks.push({ x: underair.at(data.now + seconds), text: underair.fill(words.ahead, { minutes: seconds / 60 }), kind: "tick ahead" });
    }
    underair.keyed(
      axis,
      marks.map((mark) => ({ key: mark.text, ...mark })),
      (mark) => underair.make("span", { class: mark.kind ?? "tick" }, mark.text),
      (element, mark) => {
        const place = `${((100 * mark.x) / underair.scale.width).toFixed(2)}%`; // paper has another width
        if (element.style.left !== place) element.style.left = place;
      },
    );
    return marks.filter((mark) => !mark.now).map((mark) => `M${mark.x.toFixed(1)} 0V${underair.scale.height}`).join("");
  };

  const onKey = (event) => {
    const row = event.target.closest(".row");
    if (!row || event.target !== row) return;
    const next = { ArrowDown: row.nextElementSibling, ArrowUp: row.previousElementSibling,
      Home: rows.firstElementChild, End: rows.lastElementChild }[event.key];
    if (next) {
      event.preventDefault();
      rove(next);
      next.focus();
    } else if (event.key === "Enter") choose(row);
  };
  const choose = (row) => {
    rove(row);
    rows.querySelector(".chosen")?.classList.remove("chosen");
    row.classList.add("chosen");
    underair.side.choose(row.item);
  };
  const rove = (row) => {
    for (const other of rows.querySelectorAll(".row[tabindex='0']")) other.tabIndex = -1;
    row.tabIndex = 0;
  };

  underair.list = {
    build: (given) => {
      words = given;
      hold = underair.make("button", { type: "button", class: "hold", onclick: () => underair.state.data?.ready && toggleHold() }, words.hold);
      document.addEventListener("keydown", (event) => {
        const typing = event.target.closest?.("input, textarea, select");
        if (event.key.toLowerCase() === "h" && !typing && !event.ctrlKey && !event.metaKey && !event.altKey) hold.click();
      });
      axis = underair.make("div", { class: "axis", "aria-hidden": "true" });
      rows = underair.make("ol", {
        class: "rows", "aria-label": words.rows, onkeydown: onKey,
        onpointermove: () => (handAt = performance.now()), onpointerdown: () => (handAt = performance.now()),
        onclick: (event) => {
          const row = event.target.closest(".row");
          if (row) choose(row);
        },
      });
      const heading = (name, text) => underair.make("span", { class: name }, text);
      const section = underair.make(
        "section", { class: "list", "aria-label": words.rows },
        underair.patterns(),
        underair.make(
          "div", { class: "head" },
          heading("c-state", words.head_state), heading("c-who", words.head_who),
          heading("c-left", words.head_left), heading("c-air", words.head_air),
          axis,
        ),
        rows,
        underair.make("p", { class: "nobody", hidden: true }),
        underair.make("p", { class: "legend" }, words.legend),
      );
      return { section, hold };
    },

    paint: (data) => {
      const width = Math.floor(axis.clientWidth);
      if (width > 0) underair.rescale(data, width, stripHeight(data.rows.length));
      const grid = gridPath(data);
      const { sorted, changed } = inOrder(data.rows);
      const lot = inLots(sorted);
      underair.keyed(rows, lot, makeRow, (row, item) => paintRow(row, item, grid));
      if (lot.length < sorted.length) setTimeout(() => underair.list.paint(underair.state.data));
      for (const item of changed) {
        const row = rows.known.get(item.key);
        row?.classList.add("moved");
        setTimeout(() => row?.classList.remove("moved"), MOVED_MS);
      }
      if (rows.firstElementChild && !rows.querySelector(".row[tabindex='0']")) rove(rows.firstElementChild);
      rows.nextElementSibling.hidden = data.rows.length > 0;
      underair.text(rows.nextElementSibling, data.nobody);
      rows.classList.toggle("many", data.rows.length > 14);
    },
  };
})();
