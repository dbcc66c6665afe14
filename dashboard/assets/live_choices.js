// What this browser alone decides: units, and UTC or local time. Kept here and sent with each request; the server
// words the numbers, and nothing that is recorded changes.
"use strict";
(() => {
  const CHOICES = { units: ["metric", "imperial"], times: ["utc", "local"] };
  const KEPT = { units: "underair-units", times: "underair-times" };

  const chosen = (name) => {
    const kept = localStorage.getItem(KEPT[name]);
    return CHOICES[name].includes(kept) ? kept : CHOICES[name][0];
  };

  underair.choices = {
    build: (words, changed) => Object.keys(CHOICES).map((name) => {
      const button = underair.make("button", { type: "button", class: `choice ${name}`, onclick: () => {
        const [first, second] = CHOICES[name];
        localStorage.setItem(KEPT[name], chosen(name) === first ? second : first);
        show();
        changed();
      } });
      const show = () => {
        underair.text(button, words[name][chosen(name)]);
        underair.attribute(button, "aria-label", underair.fill(words[`${name}_what`], { now: words[name][chosen(name)] }));
      };
      show();
      return button;
    }),
    chosen,
    query: () => {
      const offset = chosen("times") === "local" ? String(-new Date().getTimezoneOffset()) : "";
      return new URLSearchParams({ units: chosen("units"), offset }).toString();
    },
  };
})();
