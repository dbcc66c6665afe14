// One strip of a row: the air line so far left of "now", the forecast with its interval right of it.
// All strips share one clock and one width; pixels are all that is calculated here.
"use strict";
(() => {
  const PAD = 4;
  const NS = "http://www.w3.org/2000/svg";
  const svg = (tag, attributes = {}) => {
    const element = document.createElementNS(NS, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    return element;
  };
  // Shapes of the state column, 16 by 16: each differs in outline, so that none needs its colour.
  const SHAPES = {
    distress: "M8 1 L15 15 H1 Z",
    no_motion: "M2 2 H14 V14 H2 Z",
    not_accounted: "M2 5 V2 H5 M11 2 H14 V5 M14 11 V14 H11 M5 14 H2 V11",
    losing_air: "M1 1 H15 L8 8 Z M1 8 H15 L8 15 Z",
    silent_past: "M8 2 A6 6 0 1 0 8 14 A6 6 0 1 0 8 2 M3.5 12.5 L12.5 3.5 M3.5 3.5 L12.5 12.5",
    low_air: "M1 2 H15 L8 15 Z",
    silent: "M8 2 A6 6 0 1 0 8 14 A6 6 0 1 0 8 2 M3.5 12.5 L12.5 3.5",
    turn_back: "M14 3 V13 H7 V16 L0 8 L7 0 V3 Z",
    other_alarm: "M8 1 L15 8 L8 15 L1 8 Z",
    turn_back_soon: "M14 4 V12 H7 V15 L1 8 L7 1 V4 Z",
    under_air: "M8 4 A4 4 0 1 0 8 12 A4 4 0 1 0 8 4",
    no_air_yet: "M3 8 H5 M7 8 H9 M11 8 H13",
    valve_closed: "M3 8 H13",
  };
  const FILLED = new Set(["distress", "no_motion", "losing_air", "low_air", "turn_back", "other_alarm"]);

  underair.shape = (attention) => {
    const icon = svg("svg", { viewBox: "-1 -1 18 18", class: "shape", "aria-hidden": "true" });
    icon.append(svg("path"));
    underair.reshape(icon, attention);
    return icon;
  };
  underair.reshape = (icon, attention) => {
    if (icon.dataset.a === attention) return;
    icon.dataset.a = attention;
    icon.firstChild.setAttribute("d", SHAPES[attention] ?? SHAPES.other_alarm);
    icon.classList.toggle("filled", FILLED.has(attention));
  };

  // The shared clock: where a moment is, for every strip and the axis.
  const scale = { top: 300, width: 600, height: 46, from: 0, now: 0, perSecond: 1, version: 0 };
  underair.scale = scale;
  underair.rescale = (data, width, height) => {
    const perSecond = width / (data.now - data.from + data.ahead_s);
    if (Math.abs(perSecond - scale.perSecond) > 1e-4 || width !== scale.width || data.top !== scale.top
      || height !== scale.height) scale.version += 1;
    Object.assign(scale, { width, from: data.from, now: data.now, perSecond, top: data.top, height });
  };
  const at = (moment) => (moment - scale.from) * scale.perSecond;
  const ahead = (seconds) => at(scale.now) + seconds * scale.perSecond;
  underair.at = at;

  underair.strip = {
    make: () => {
      const root = svg("svg", { class: "strip", "aria-hidden": "true", preserveAspectRatio: "none" });
      const parts = {};
      for (const name of ["grid", "warning", "fan", "middle", "hatch", "line", "tail", "now", "turn", "turnMark",
        "low", "lowMark", "dot"]) {
        const tag = name === "hatch" ? "rect" : name === "dot" ? "circle" : "path";
        root.append((parts[name] = svg(tag, { class: name })));
      }
      parts.dot.setAttribute("r", 3);
      root.parts = parts;
      return root;
    },

    paint: (root, strip, key, grid) => {
      const { parts } = root;
      const set = underair.attribute;
      const { height } = scale;
      set(root, "width", scale.width);
      set(root, "height", height);
      set(root, "viewBox", `0 0 ${scale.width} ${height}`); // paper has another width
      set(parts.hatch, "height", height);
      const x = at(scale.now).toFixed(1);
      set(parts.grid, "d", grid);
      set(parts.now, "d", `M${x} 0V${height}`);
      root.classList.toggle("empty", !strip);
      if (!strip) return;
      const y = (bar) => height - PAD - (bar / scale.top) * (height - 2 * PAD);
      const [lastAt, lastBar] = strip.last;
      const lastX = at(lastAt);
      paintLine(root, strip, key, y);
      set(parts.dot, "cx", lastX.toFixed(1));
      set(parts.dot, "cy", y(lastBar).toFixed(1));
      set(parts.warning, "d", `M${Math.max(0, at(strip.start)).toFixed(1)} ${y(strip.low).toFixed(1)}H${scale.width}`);
      root.classList.toggle("silent", strip.silent != null);
      set(parts.hatch, "x", lastX.toFixed(1));
      set(parts.hatch, "width", strip.silent != null ? Math.max(0, scale.width - lastX).toFixed(1) : 0);
      paintFan(parts, strip, y, lastBar);
      mark(parts.turn, parts.turnMark, strip.turn_back, y(strip.turn_back_bar ?? 0), "M4 -5V5L-5 0Z");
      mark(parts.low, parts.lowMark, strip.low_air, y(strip.low), "M-5 -5H5L0 4Z");
      if (strip.turned != null) {
        set(parts.turnMark, "d", "M4 -5V5L-5 0Z");
        set(parts.turnMark, "transform", `translate(${at(strip.turned).toFixed(1)} ${y(strip.turn_back_bar).toFixed(1)})`);
      }
    },
  };

  // The line so far is drawn once and only shifted; new points are added at its end.
  const paintLine = (root, strip, key, y) => {
    const { parts } = root;
    const points = underair.state.lines[key] ?? [];
    const version = `${scale.version}/${strip.from}/${points[0]?.[0]}`;
    if (root.lineVersion !== version || points.length < root.drawn) {
      Object.assign(root, { lineVersion: version, base: strip.from, drawn: 0, path: "", breaks: false });
    }
    if (points.length > root.drawn) {
      for (const [moment, bar] of points.slice(root.drawn)) {
        if (moment < strip.from - 1) continue;
        root.breaks ||= bar === null; // it rose: another cylinder, or for an unknown reason
        if (bar === null) continue;
        root.path += `${root.path && !root.breaks ? "L" : "M"}${((moment - root.base) * scale.perSecond).toFixed(1)} ${y(bar).toFixed(1)}`;
        root.breaks = false;
      }
      Object.assign(root, { drawn: points.length, lastPoint: points.at(-1) });
      underair.attribute(parts.line, "d", root.path);
    }
    underair.attribute(parts.line, "transform", `translate(${at(root.base).toFixed(1)} 0)`);
    const [lastAt, lastBar] = strip.last;
    const [fromAt, fromBar] = root.lastPoint && root.lastPoint[0] >= strip.from - 1 ? root.lastPoint : [strip.start, strip.started_bar];
    underair.attribute(
      parts.tail, "d",
      lastAt >= fromAt ? `M${at(fromAt).toFixed(1)} ${y(fromBar).toFixed(1)}L${at(lastAt).toFixed(1)} ${y(lastBar).toFixed(1)}` : null,
    );
  };

  const paintFan = (parts, strip, y, lastBar) => {
    const set = underair.attribute;
    if (!strip.fan.length) {
      set(parts.fan, "d", null);
      set(parts.middle, "d", null);
      return;
    }
    const point = (seconds, bar) => `${Math.min(ahead(seconds), scale.width * 3).toFixed(1)} ${y(bar).toFixed(1)}`;
    const start = point(0, lastBar);
    const early = strip.fan.map(([bar, low]) => point(low, bar));
    const late = strip.fan.map(([bar, , , high]) => point(high, bar)).reverse();
    set(parts.fan, "d", `M${[start, ...early, ...late].join("L")}Z`);
    set(parts.middle, "d", `M${[start, ...strip.fan.map(([bar, , median]) => point(median, bar))].join("L")}`);
  };

  // A mark at the median, a bar from the early to the late end of the interval.
  const mark = (whisker, glyph, interval, level, path) => {
    const set = underair.attribute;
    if (!interval) {
      set(whisker, "d", null);
      set(glyph, "d", null);
      return;
    }
    const [low, median, high] = interval.map(ahead);
    const end = Math.min(high, scale.width);
    set(whisker, "d", `M${low.toFixed(1)} ${(level - 4).toFixed(1)}v8M${low.toFixed(1)} ${level.toFixed(1)}H${end.toFixed(1)}${high <= scale.width ? `m0 -4v8` : ""}`);
    set(glyph, "d", median <= scale.width ? path : null);
    set(glyph, "transform", `translate(${median.toFixed(1)} ${level.toFixed(1)})`);
  };

  // Hatching for what was not heard, defined once for all strips.
  underair.patterns = () => {
    const root = svg("svg", { class: "patterns", width: 0, height: 0, "aria-hidden": "true" });
    const pattern = svg("pattern", { id: "not-heard", width: 7, height: 7, patternUnits: "userSpaceOnUse",
      patternTransform: "rotate(45)" });
    pattern.append(svg("path", { d: "M0 0V7", class: "hatching" }));
    root.append(pattern);
    return root;
  };
})();
