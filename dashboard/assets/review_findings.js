// The bench's findings: counted, filtered by grade and wearer, grouped by wearer and kind, marked as looked at.
"use strict";
(() => {
  const { element } = underair;
  let bench = null;
  let hidden = new Set();
  let wearer = "";

  function grades() {
    const { findings, words } = bench.view;
    return Object.entries(words.grades).map(([grade, name]) => {
      const count = findings.filter((one) => one.severity === grade && (!wearer || one.who === wearer)).length;
      const button = element("button", { type: "button", textContent: `${name} ${count}`, className: `grade-${grade}` });
      button.setAttribute("aria-pressed", String(!hidden.has(grade)));
      button.addEventListener("click", () => {
        if (!hidden.delete(grade)) hidden.add(grade);
        show();
        bench.findings.querySelector(`.grades .grade-${grade}`).focus();
      });
      return button;
    });
  }

  function wearers() {
    const { findings, words } = bench.view;
    const names = [...new Set(findings.map((one) => one.who))].sort();
    const select = element("select", {}, element("option", { value: "", textContent: words.everyWearer }),
      ...names.map((name) => element("option", { value: name, textContent: name, selected: name === wearer })));
    select.setAttribute("aria-label", words.filterWearer);
    select.addEventListener("change", () => {
      wearer = select.value;
      show();
      bench.findings.querySelector(".grades select").focus();
    });
    return select;
  }

  function item(finding) {
    const button = element(
      "button",
      { type: "button", className: `finding-item grade-${finding.severity}` },
      element("span", { className: "sign", textContent: finding.sign }),
      element("span", { className: "whose", textContent: `${finding.who} ${finding.when}` }),
      element("span", { className: "statement", textContent: finding.statement }),
    );
    button.addEventListener("click", () => bench.open(finding));
    const marks = finding.looked.map((text) => element("p", { className: "looked", textContent: `✓ ${text}` }));
    if (bench.view.token && !finding.looked.length) marks.push(marking(finding));
    return element("li", {}, button, ...marks);
  }

  // A mark is a note in the record: who looked, when, and what they say about it.
  function marking(finding) {
    const { words } = bench.view;
    const button = element("button", { type: "button", className: "look", textContent: words.look });
    button.addEventListener("click", () => {
      const told = element("p", { className: "said" });
      told.setAttribute("role", "status");
      const text = element("input", { type: "text", name: "text", maxLength: 500 });
      const form = element("form", { className: "looking" },
        element("label", {}, words.lookNote, text), element("button", { type: "submit", textContent: words.look }), told);
      form.addEventListener("submit", (event) => {
        event.preventDefault();
        underair.notes.send({ looks_at: finding.id, text: text.value }, told);
      });
      button.replaceWith(form);
      text.focus();
    });
    return button;
  }

  // Of one wearer and kind the first is shown, the others below it on request.
  function grouped(findings) {
    const groups = new Map();
    for (const finding of findings) {
      const key = `${finding.severity} ${finding.who} ${finding.code}`;
      groups.set(key, [...(groups.get(key) ?? []), finding]);
    }
    return [...groups.values()].map(([first, ...more]) => {
      const made = item(first);
      if (more.length) {
        const text = bench.view.words.moreAlike.replace("{count}", more.length);
        made.append(element("details", {}, element("summary", { textContent: text }), element("ol", {}, ...more.map(item))));
      }
      return made;
    });
  }

  function show() {
    const { findings, words } = bench.view;
    if (!findings.length) {
      bench.findings.replaceChildren(element("p", { className: "note", textContent: words.noFindings }));
      return;
    }
    const chosen = findings.filter((one) => !hidden.has(one.severity) && (!wearer || one.who === wearer));
    bench.findings.replaceChildren(
      element("div", { className: "grades" }, ...grades(), wearers()),
      element("ol", {}, ...grouped(chosen)),
    );
  }

  underair.findings = {
    begin: (view, open) => {
      bench = { view, open, findings: document.getElementById("review-findings") };
      show();
    },
  };
})();
