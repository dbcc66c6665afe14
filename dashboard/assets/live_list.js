// The rows: one for each set, in the order of need, and the axis above them.
"use strict";
(() => {
  const CALM_MS = 15000; // so long a row keeps its place among the others unless its class changes
  const MOVED_MS = 6000;
  const NEW_AT_ONCE = 25;
  const TEXTS = ["state", "why", "who", "team", "sub", "place", "turn", "turn_range", "turn_bar", "low", "low_range", "low_what", "air",
    "air_sub", "entry", "entered", "inside", "out_by", "aside"];
  const LABEL_PX = 64; // room for one label of the axis
  const HAND_MS = 1500; // so long after a pointer moved over the rows they keep their places for it ...
  const LONGEST_HAND_MS = 4000; // ... but no longer than this, when the vehicle shakes the hand
  const LONGEST_HOLD_MS = 60000; // frozen rows go on after this, and at once when somebody is in danger
  let words, axis, rows, hold, held = false, heldAt = 0, order = [], orderedAt = 0, handAt = -Infinity, wantedAt = null;
  let classes = new Map();
  const moving = new Set();

  const cell = (name, ...children) => underair.make("div", { class: name }, ...children);
  // The name is for who cannot see the head, and for the phone, which has none.
  const named = (name, title, ...children) =>
    underair.make("div", { class: name, role: "group", "aria-label": title, "data-name": title }, ...children);

  const makeRow = () => {
    const parts = {
      shape: underair.shape("under_air"),
      strip: underair.strip.make(),
    };
    for (const name of TEXTS) parts[name] = underair.make("span", { class: name });
    const row = underair.make(
      "li", { class: "row", tabindex: "-1", "aria-description": words.row_opens },
      named("c-state", words.head_state, parts.shape, parts.state, parts.why),
      named("c-who", words.head_who, cell("name", parts.who, parts.team), parts.sub, parts.place),
      named("c-turn", words.head_turn, parts.turn, parts.turn_range, parts.turn_bar),
      named("c-low", words.head_low, parts.low, parts.low_range, parts.low_what),
      named("c-air", words.head_air, parts.air, parts.air_sub, parts.aside),
      named("c-entry", words.head_entry, parts.entry, parts.entered),
      named("c-inside", words.head_inside, parts.inside, parts.out_by),
      cell("c-strip", parts.strip),
    );
    row.parts = parts;
    nearby.observe(row);
    return row;
  };

  const paintRow = (row, item, grid) => {
    const { parts } = row;
    for (const name of TEXTS) underair.text(parts[name], item[name]);
    underair.reshape(parts.shape, item.a);
    underair.attribute(row, "data-a", item.a);
    underair.attribute(row, "data-key", item.key);
    row.classList.toggle("silent", item.silent);
    underair.attribute(parts.air.parentElement, "aria-label", item.silent ? words.air_old : words.head_air);
    row.classList.toggle("over", item.over);
    row.item = item;
    row.grid = grid;
    if (row.near) underair.strip.paint(parts.strip, item.strip, item.key, grid);
  };

  // Strips far off the screen are not drawn; one that comes near is drawn at once.
  const nearby = new IntersectionObserver(
    (entries) => {
      for (const { target, isIntersecting } of entries) {
        const row = /** @type {any} */ (target);
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

  // Those in `moving` take the places that the server gives them; all others keep theirs.
  const moved = (items, moving) => {
    const rank = new Map(items.map((item, place) => [item.key, place]));
    const places = order.filter((key) => rank.has(key) && !moving.has(key));
    for (const { key } of items.filter((item) => moving.has(item.key))) {
      const before = places.findIndex((other) => rank.get(other) > rank.get(key));
      places.splice(before < 0 ? places.length : before, 0, key);
    }
    return places;
  };

  const inOrder = (items) => {
    const now = performance.now();
    const byKey = new Map(items.map((item) => [item.key, item]));
    const changed = items.filter((item) => classes.has(item.key) && classes.get(item.key) !== item.a);
    const fresh = items.filter((item) => !order.includes(item.key));
    for (const { key } of [...changed, ...fresh]) moving.add(key);
    const urgent = [...changed, ...fresh].some((item) => underair.filter.urgent(item.a));
    if (held && (urgent || now - heldAt > LONGEST_HOLD_MS)) setHold(false);
    if (moving.size || now - orderedAt > CALM_MS) wantedAt ??= now;
    const hand = wantedAt != null && now - handAt < HAND_MS && now - wantedAt < LONGEST_HAND_MS;
    if (wantedAt != null && !held && !hand && !rows.matches(":active")) {
      const calmOver = now - orderedAt > CALM_MS;
      order = calmOver ? items.map((item) => item.key) : moved(items, moving);
      if (calmOver) orderedAt = now;
      moving.clear();
      wantedAt = null;
    } else if (fresh.length) {
      // New rows come last until the order is free again; nobody is left out.
      order = [...order, ...fresh.map((item) => item.key)];
    }
    order = order.filter((key) => byKey.has(key));
    showHold(items);
    classes = new Map(items.map((item) => [item.key, item.a]));
    return { sorted: order.map((key) => byKey.get(key)), changed };
  };

  const showHold = (items) => {
    const elsewhere = held ? items.filter((item, place) => order[place] !== item.key).length : 0;
    underair.text(hold, held ? underair.fill(words.held, { count: elsewhere }) : words.hold);
    underair.attribute(hold, "aria-pressed", String(held));
    hold.classList.toggle("on", held);
  };
  const setHold = (wanted) => {
    held = wanted;
    if (held) heldAt = performance.now();
    else {
      orderedAt = -Infinity;
      wantedAt = performance.now() - LONGEST_HAND_MS;
    }
  };
  const toggleHold = () => {
    setHold(!held);
    underair.list.paint(underair.state.data);
  };

  const gridPath = (data) => {
    const marks = [];
    const step = [300, 600, 900, 1200].find((one) => one * underair.scale.perSecond > LABEL_PX) ?? 1800;
    const near = LABEL_PX / 2 / underair.scale.perSecond;
    for (let moment = Math.ceil((data.from + near / 2) / step) * step; moment < data.now - 1.4 * near; moment += step) {
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
    } else if (event.key === "Enter") {
      event.preventDefault(); // what opens has the focus at once, and would take this key press for its own
      choose(row);
    }
  };
  const choose = (row) => {
    rove(row);
    rows.querySelector(".chosen")?.classList.remove("chosen");
    row.classList.add("chosen");
    underair.actions.open(row.item, row);
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
          heading("c-turn", words.head_turn), heading("c-low", words.head_low), heading("c-air", words.head_air),
          heading("c-entry", words.head_entry), heading("c-inside", words.head_inside),
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
      const items = data.rows.filter((row) => underair.filter.shows(row.incidents));
      if (width > 0) underair.rescale(data, width, stripHeight(items.length));
      const grid = width > 0 ? gridPath(data) : "";
      const { sorted, changed } = inOrder(items);
      const lot = inLots(sorted);
      underair.keyed(rows, lot, makeRow, (row, item) => paintRow(row, item, grid));
      if (lot.length < sorted.length) setTimeout(() => underair.list.paint(underair.state.data));
      for (const item of changed) {
        const row = rows.known.get(item.key);
        row?.classList.add("moved");
        setTimeout(() => row?.classList.remove("moved"), MOVED_MS);
      }
      const first = rows.firstElementChild;
      // Tab enters at whoever needs attention most, until somebody has chosen a row.
      if (first && !rows.contains(document.activeElement) && !rows.querySelector(".chosen") && first.tabIndex < 0) rove(first);
      underair.text(rows.parentElement.lastElementChild, `${words.legend} ${data.forecast}`);
      rows.nextElementSibling.hidden = items.length > 0;
      underair.text(rows.nextElementSibling, data.nobody);
      rows.classList.toggle("many", items.length > 14);
    },
  };
})();
