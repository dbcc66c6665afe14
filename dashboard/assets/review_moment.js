// What the server knows of the cursor's moment: values beside the lanes, and the messages behind them. Values come from
// the server's record, never from thinned points.
"use strict";
(() => {
  const { element } = underair;
  const byId = (id) => document.getElementById(id);
  // Longer than any answer takes: a request under way when the network fails may never end.
  const GIVE_UP_MS = 15_000;
  let failedAt = 0;
  let asking = false;
  let askAgain = false;
  let latestMessages = "";

  const fetched = async (address) => {
    const { view, say } = underair.bench;
    const began = performance.now();
    try {
      const answer = await fetch(address, { signal: underair.endAfter(GIVE_UP_MS) });
      const told = await answer.json();
      // The late answer to a question of before says nothing about the server now.
      if (began > failedAt && byId("review-said").textContent === view.words.unreachable) say("");
      return told;
    } catch {
      failedAt = performance.now();
      say(view.words.unreachable);
      return null;
    }
  };

  // One question at a time: while one is under way, only the latest place of the cursor waits.
  const ask = async () => {
    const { view, query } = underair.bench;
    if (view.at == null) return;
    askAgain = asking;
    if (asking) return;
    asking = true;
    const told = await fetched(`/review/moment?${query({ at: view.at })}`);
    asking = false;
    if (told?.people) showMoment(told);
    else forgetMoment();
    if (askAgain) ask();
  };

  // Otherwise values of another moment would remain beside a cursor that has moved on.
  const forgetMoment = () => {
    byId("review-cursor-time").textContent = "";
    byId("review-moment").replaceChildren();
    byId("review-moment-hint").hidden = false;
  };

  const valueRow = (row) => [
    element("dt", { textContent: row.name }),
    element("dd", {}, element("b", { textContent: row.value }), " ", element("span", { textContent: row.remark })),
  ];
  const personSection = (person) =>
    element("section", {}, element("h3", { textContent: person.title }), element("dl", {}, ...person.rows.flatMap(valueRow)));

  const showMoment = (told) => {
    underair.cursor.place(told.time);
    byId("review-moment-hint").hidden = true;
    byId("review-moment").replaceChildren(
      element("p", { className: "moment-clock" }, element("b", { textContent: told.clock }), ` ${told.zone}`),
      element("p", { className: "note" }, element("a", { href: told.board, textContent: underair.bench.view.words.board })),
      ...told.people.map(personSection),
      element("p", { className: "note", textContent: told.note }),
    );
  };

  const messageItem = (row, heads) =>
    element(
      "li",
      {},
      element("p", { className: "message-head" }, element("b", { textContent: row.at }), ` ${row.kind}`),
      element("pre", { textContent: row.payload }),
      element("dl", {}, ...Object.entries(heads).flatMap(([key, name]) => [
        element("dt", { textContent: name }),
        element("dd", { textContent: row[key] }),
      ])),
    );

  const showMessages = async (address) => {
    latestMessages = address;
    const told = await fetched(address);
    if (latestMessages !== address) return; // another was asked for in the meantime
    if (told?.problem) underair.bench.say(told.problem);
    if (!told?.rows) return;
    const { at: _at, kind: _kind, ...heads } = told.heads;
    byId("review-messages").replaceChildren(
      element("h2", { textContent: told.title }),
      element("p", { className: "note", textContent: told.note }),
      ...(told.about ? [element("p", { className: "note" }, element("a", { href: told.about.href, textContent: told.about.text }))] : []),
      element("ol", {}, ...told.rows.map((row) => messageItem(row, heads))),
    );
  };

  underair.moment = { fetched, ask, showMessages };
})();
