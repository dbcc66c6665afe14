// While new wears are worked out: shows how far it is, and loads the page again when it is done. Asks for the
// day of before and after. On paper: makes the plots as small as their columns.
"use strict";
(() => {
  let asking = false;
  async function ask(bar) {
    asking = true;
    try {
      const answer = await fetch("/trends/progress.json", { signal: underair.endAfter(5000) });
      const found = await answer.json();
      if (!found.working) {
        location.reload();
        return;
      }
      bar.value = found.part;
      const text = document.getElementById("trends-progress-text");
      if (text) text.textContent = found.text;
    } catch {
      // The server is away for a moment: ask again.
    }
    asking = false;
  }
  // plotly draws in pixels of the screen: beside it the next plot would be printed over its end.
  const COLUMN_PX = 318, SHEET_PX = 680;
  const onPaper = (printed) => {
    for (const plot of document.querySelectorAll(".trends .js-plotly-plot")) {
      const { width } = /** @type {any} */ (plot)._fullLayout ?? {};
      const room = plot.closest(".plots") ? COLUMN_PX : SHEET_PX;
      const frame = /** @type {HTMLElement | null} */ (plot.closest("[role=img]"));
      if (width) frame?.style.setProperty("zoom", printed ? String(Math.min(1, room / width)) : "");
    }
  };
  window.addEventListener("beforeprint", () => onPaper(true));
  window.addEventListener("afterprint", () => onPaper(false));
  // Dash has no field for a day.
  const askForDay = (place) => {
    const { label, button, day, address } = place.dataset;
    const field = /** @type {HTMLInputElement} */ (underair.make("input", { type: "date", required: true, value: day }));
    const compare = (event) => {
      event.preventDefault();
      location.assign(`${address}${address.includes("?") ? "&" : "?"}since=${field.value}#trends-before`);
    };
    const words = underair.make("label", {}, `${label} `, field);
    const form = underair.make("form", { onsubmit: compare }, words, " ", underair.make("button", {}, button));
    place.append(form);
  };
  setInterval(() => {
    const place = document.getElementById("trends-since");
    if (place && !place.firstChild) askForDay(place);
    const bar = document.getElementById("trends-progress");
    if (bar && !asking) ask(bar);
  }, 1000);
})();
