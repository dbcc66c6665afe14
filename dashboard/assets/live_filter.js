// Which incident this browser shows. What it hides is still counted, and still sounds.
"use strict";
(() => {
  const KEPT = "underair-incident";
  const URGENT = new Set(["distress", "no_motion", "not_accounted", "losing_air", "low_air"]);
  const { make, text } = underair;
  let words, select, hidden, box;

  underair.filter = {
    build: (given, changed) => {
      words = given;
      select = make("select", { id: "shown-incident", "aria-label": words.filter, onchange: () => {
        localStorage.setItem(KEPT, select.value);
        changed();
      } });
      hidden = make("button", { type: "button", class: "elsewhere", hidden: true, onclick: () => {
        select.value = "";
        localStorage.removeItem(KEPT);
        changed();
      } });
      return (box = make("span", { class: "filter", hidden: true }, select, hidden));
    },
    chosen: () => select.value,
    urgent: (attention) => URGENT.has(attention),
    // One incident, several, or none: what belongs to none is everybody's.
    shows: (incidents) => {
      const own = [incidents ?? []].flat();
      return !select.value || own.length === 0 || own.includes(select.value);
    },
    paint: (data) => {
      const wanted = select.value || localStorage.getItem(KEPT) || "";
      underair.options(select, [{ id: "", text: words.filter_all }, ...data.incidents]);
      if (data.incidents.some((one) => one.id === wanted)) select.value = wanted;
      box.hidden = data.incidents.length < 2;
      if (box.hidden) select.value = "";
      const away = data.rows.filter((row) => !underair.filter.shows(row.incidents));
      hidden.hidden = away.length === 0;
      const urgent = away.filter((row) => underair.filter.urgent(row.a)).length;
      hidden.classList.toggle("bad", urgent > 0);
      text(hidden, underair.fill(urgent ? words.filter_urgent : words.filter_hidden, { count: away.length, urgent }));
    },
  };
})();
