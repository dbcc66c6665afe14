// The form under the bench's notes: writes a note or takes one back, and shows it only once the record has it.
"use strict";
(() => {
  const { element } = underair;
  const ASK_EVERY_MS = 1000;
  const GIVE_UP_MS = 45_000;
  let bench = null;

  const written = (at) => underair.windows.written(at, bench.view.zone, bench.view.changes);

  function field(name, label, control) {
    control.name = name;
    control.id = `review-note-${name}`;
    return element("p", {}, element("label", { htmlFor: control.id, textContent: label }), control);
  }

  async function post(fields, told) {
    const answer = await fetch("/review/note", {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Underair-Token": bench.view.token },
      body: JSON.stringify({ incident: bench.view.incident, zone: bench.view.zone, ...fields }),
      signal: underair.endAfter(GIVE_UP_MS),
    });
    const said = await answer.json();
    if (!answer.ok) {
      told.textContent = said.problem;
      return;
    }
    const words = bench.view.words;
    told.textContent = words.noteSent;
    const until = Date.now() + GIVE_UP_MS;
    const query = new URLSearchParams({ incident: bench.view.incident, identity: said.sent });
    while (Date.now() < until) {
      const state = await (await fetch(`/review/note?${query}`, { signal: underair.endAfter(GIVE_UP_MS) })).json();
      if (state.kept) return bench.again();
      await new Promise((done) => setTimeout(done, ASK_EVERY_MS));
    }
    told.textContent = words.noteLate;
  }

  function form(children, submit, told) {
    const made = element("form", {}, ...children, told);
    made.addEventListener("submit", async (event) => {
      event.preventDefault();
      const send = made.querySelector("button[type=submit]");
      send.disabled = true; // pressed twice, a note would be there twice
      try {
        await post(submit(Object.fromEntries(new FormData(made))), told);
      } catch {
        told.textContent = bench.view.words.unreachable;
      }
      send.disabled = false;
    });
    return made;
  }

  // A bookmark is a note in the record with the view that it names.
  function keeping() {
    const place = document.getElementById("review-bookmark-form");
    const { words } = bench.view;
    const name = element("input", { type: "text", required: true, maxLength: 80, placeholder: words.bookmarkName });
    name.setAttribute("aria-label", words.bookmarkName);
    const made = form([name, element("button", { type: "submit", textContent: words.bookmarkKeep })],
      () => ({ bookmark: String(bench.query(bench.atOf())), text: name.value }), status());
    place.replaceChildren(made);
  }

  const status = () => {
    const told = element("p", { className: "said" });
    told.setAttribute("role", "status");
    return told;
  };

  function writing() {
    const { words } = bench.view;
    const time = element("input", { type: "text", required: true, maxLength: 40, spellcheck: false });
    time.value = written(bench.view.at ?? bench.view.window[0]);
    const certainty = element("select", {}, ...Object.entries(words.noteCertainties).map(
      ([value, textContent]) => element("option", { value, textContent })));
    return form([
      element("h2", { textContent: words.noteTitle }),
      element("p", { className: "note", textContent: words.noteHint.replace("{zone}", bench.view.zoneName) }),
      element("div", { className: "fields" },
        field("time", words.noteTime, time),
        field("certainty", words.noteCertainty, certainty),
        field("source", words.noteSource, element("input", { type: "text", maxLength: 80 })),
        field("set_id", words.noteSet, element("input", { type: "text", maxLength: 40 }))),
      field("text", words.noteText, element("textarea", { required: true, rows: 3, maxLength: 2000 })),
      element("button", { type: "submit", textContent: words.noteSend }),
    ], (fields) => fields, status());
  }

  function withdrawing(identity, text) {
    const { words } = bench.view;
    const leave = element("button", { type: "button", textContent: words.noteCancel });
    leave.addEventListener("click", () => show(writing()));
    return form([
      field("text", words.noteReason.replace("{text}", () => text), element("textarea", { required: true, rows: 2, maxLength: 1900 })),
      element("button", { type: "submit", textContent: words.noteWithdraw }), leave,
    ], (fields) => ({ ...fields, withdraws: identity }), status());
  }

  function show(what) {
    document.getElementById("review-note-form").replaceChildren(what);
  }

  underair.notes = {
    send: post,
    begin: (found) => {
      bench = found;
      const place = document.getElementById("review-note-form");
      place.hidden = !bench.view.token;
      if (!bench.view.token) return;
      show(writing());
      keeping();
      // The form follows the cursor until somebody begins to write.
      place.addEventListener("focusin", () => {
        const time = document.getElementById("review-note-time");
        if (time && !time.dataset.touched && bench.view.at != null) time.value = written(bench.view.at);
        if (time) time.dataset.touched = "yes";
      });
    },
    withdraw: (identity, text) => {
      show(withdrawing(identity, text));
      const box = document.getElementById("review-note-text");
      box.focus();
      box.scrollIntoView({ block: "center" });
    },
  };
})();
