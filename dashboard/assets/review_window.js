// The arithmetic of the bench's window: milliseconds in, milliseconds out. Nothing here touches the page.
"use strict";
(() => {
  const SHORTEST_MS = 2000;

  // The wanted window, as long as allowed and inside the whole incident.
  /** @type {Underair["windows"]["within"]} */
  const within = (from, to, [first, last]) => {
    const length = Math.min(Math.max(to - from, SHORTEST_MS), last - first);
    const start = Math.min(Math.max((from + to) / 2 - length / 2, first), last - length);
    return [start, start + length];
  };

  underair.windows = {
    within,
    // Around the cursor where it is in the window, else around the middle.
    zoomed: ([from, to], at, factor) => {
      const middle = at != null && at >= from && at <= to ? at : (from + to) / 2;
      return [middle - (middle - from) * factor, middle + (to - middle) * factor];
    },
    moved: ([from, to], share) => [from + (to - from) * share, to + (to - from) * share],
    around: (middle, lengthMs) => [middle - lengthMs / 2, middle + lengthMs / 2],
    covers: ([from, to], [first, last]) => from <= first && to >= last,
    // The moment under a place of the drawing; null beside it.
    momentAt: (px, axis, [from, to]) => {
      const share = (px - axis.left) / axis.width;
      return share < 0 || share > 1 ? null : from + share * (to - from);
    },
    shareOf: (at, [from, to]) => (at - from) / (to - from),
    // What goes into an address: nothing that is empty or what the page does without it.
    query: (parts) => {
      const usual = { zone: "UTC", units: "metric" };
      return new URLSearchParams(
        Object.entries(parts).filter(([name, value]) => value !== "" && value != null && value !== usual[name]),
      );
    },
    // The cursor's moment as it is written on the shown clock; in UTC with its offset where that clock has an hour twice.
    written: (at, zone, changes) => {
      if (changes) return new Date(at).toISOString().replace("Z", "+00:00");
      const parts = new Intl.DateTimeFormat("sv-SE", { timeZone: zone, dateStyle: "short", timeStyle: "medium" }).format(new Date(at));
      return parts.replace(" ", "T");
    },
  };
})();
