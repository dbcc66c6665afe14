// The live page's clockwork: asks for the picture, hands it to the painters, and says when the picture is not live.
// It words nothing and judges nothing; every text comes finished from the server.
"use strict";
(() => {
  const LOST_AFTER_MS = 2500; // with the poll itself the banner appears within three seconds
  const ABORT_AFTER_MS = 2000;
  const PAST_AFTER_MS = 60000; // a past moment is made from hours of messages
  const POLL_MS = 500; // the server's own tick
  const SOONEST_MS = 120;
  const AFTER_TICK_MS = 30;
  const SEEN_HERE_MS = 300000; // as on the server: losing air that was seen sounds again after this
  const SESSION_ENDS_SOON_S = 1800;
  const COUNTERS = { page: "counter(page)", pages: "counter(pages)" }; // of CSS
  const LINES_EVERY_MS = 10000;

  /** @type {LiveState} */
  const state = {
    words: null, parts: null, token: "", data: null, lines: {}, announced: new Set(), seenHere: new Map(),
    at: null, broken: false, signedOut: false, sessionEnds: 0, goodAt: 0, goodWall: 0, goodClock: "", linesAt: -Infinity, soon: null, missed: null,
  };
  underair.state = state;

  // Steps from one past moment to another; a full load, so that nothing of the one runs behind the next.
  const moments = () => {
    const { make } = underair;
    const go = (at) => (location.search = new URLSearchParams({ at }).toString());
    const input = make("input", { type: "datetime-local", step: 1, value: state.at.slice(0, 19), "aria-label": state.words.moment,
      onchange: () => input.value && go(`${input.value}Z`) });
    return make("nav", { class: "moments", "aria-label": state.words.moment }, make("span", {}, "UTC"), input, ...state.words.steps.map(([seconds, label]) =>
      make("button", { type: "button", onclick: () => go(new Date(Date.parse(state.at) + 1000 * seconds).toISOString()) }, label)));
  };

  const build = (root) => {
    const { make } = underair;
    const parts = {
      banner: make("div", { class: "banner", role: "alert", hidden: true }),
      signIn: make("a", { class: "sign-in-again", href: "/sign-in?next=/live", target: "_blank", hidden: true }, state.words.sign_in_again),
      session: make("span", { class: "session", hidden: true }),
      announce: make("div", { class: "unseen", role: "alert" }),
      printed: make("p", { class: "printed" }),
      gap: make("div", { class: "gap-note", role: "status", hidden: true }),
      clock: make("span", { class: "clock" }),
      summary: make("ul", { class: "summary" }),
      incidents: make("span", { class: "incidents" }),
      desk: make("span", { class: "desk-name" }),
      filter: underair.filter.build(state.words, () => state.data?.ready && paint()),
      system: make("ul", { class: "system" }),
      sound: underair.sound.build(state.words),
      choices: underair.choices.build(state.words, () => state.soon?.()),
    };
    const cry = (parts.cry = make("button", { type: "button", class: "cry", hidden: true,
      onclick: () => root.querySelector(".alarms").scrollIntoView({ block: "center" }) },
      underair.shape("distress"), ...["alarm", "who", "age", "unseen-count"].map((name) => make("span", { class: name }))));
    const list = underair.list.build(state.words);
    const side = underair.side.build(state.words);
    root.replaceChildren(
      make("div", { class: "foremost" }, parts.banner, parts.signIn, cry),
      ...(state.at ? [moments()] : []),
      parts.announce,
      parts.printed,
      parts.gap,
      make("div", { class: "status" }, parts.clock, parts.summary, parts.incidents, parts.filter),
      make("div", { class: "status second" }, parts.session, parts.desk,
        ...(state.words.may_send ? [make("a", { class: "to-desk", href: "#h-desk" }, state.words.to_desk)] : []), parts.system, list.hold, ...parts.choices, parts.sound),
      // Hidden until something is known: an empty list of alarms must not look like good news.
      (parts.board = make("div", { class: "board", hidden: true }, list.section, side)),
      underair.actions.build(state.words),
    );
    state.parts = parts;
    onEverySheet();
  };

  // Each sheet of paper says when it was printed and which one it is: sheets come apart.
  const onEverySheet = () => {
    const paper = new CSSStyleSheet();
    document.adoptedStyleSheets = [...document.adoptedStyleSheets, paper];
    window.addEventListener("beforeprint", () => {
      const number = state.words.sheet.split(/[{}]/).map((part) => (part in COUNTERS ? COUNTERS[part] : JSON.stringify(part))).join(" ");
      const said = JSON.stringify(state.parts.printed.textContent);
      paper.replaceSync(`@page { margin: 14mm 8mm 10mm; font: 9pt sans-serif; @top-left { content: ${said}; white-space: nowrap; } @top-right { content: ${number}; } }`);
    });
  };

  const plainList = (parent, items, textOf, decorate = (_element, _item) => {}) => {
    underair.keyed(
      parent,
      items.map((item, place) => ({ key: place, item })),
      () => underair.make("li"),
      (element, { item }) => {
        underair.text(element, textOf(item));
        decorate(element, item);
      },
    );
  };

  // A note needs an incident. Without one, what was seen is seen in this browser alone, and the page says so.
  const markSeenHere = ({ alarms }) => {
    const { seenHere, words } = state;
    for (const [key, at] of seenHere) if (performance.now() - at > SEEN_HERE_MS) seenHere.delete(key);
    for (const alarm of alarms.filter((one) => one.new && seenHere.has(one.key))) {
      alarm.new = false;
      alarm.state = [alarm.state, words.seen_here].filter(Boolean).join(" · ");
    }
  };

  const paint = () => {
    const { parts, data, words } = state;
    if (!data.ready) return;
    markSeenHere(data);
    parts.board.hidden = false;
    underair.text(parts.clock, data.clock);
    const date = new Date((data.now + data.offset_s) * 1000).toISOString().slice(0, 10);
    underair.text(parts.printed, underair.fill(words.printed, { date, clock: data.clock }));
    underair.filter.paint(data);
    plainList(parts.summary, data.summary[underair.filter.chosen()] ?? [], (text) => text);
    underair.text(parts.incidents, data.incident);
    underair.text(parts.desk, data.desk);
    parts.session.hidden = !(state.sessionEnds && state.sessionEnds - data.now < SESSION_ENDS_SOON_S);
    const ends = new Date((state.sessionEnds + data.offset_s) * 1000).toISOString().slice(11, 16);
    underair.text(parts.session, underair.fill(words.session_ends, { clock: ends }));
    plainList(
      parts.system,
      data.system,
      (part) => (part.bad ? `${words.bad_sign} ${part.text}` : part.text),
      (element, part) => element.classList.toggle("bad", part.bad),
    );
    underair.list.paint(data);
    underair.side.paint(data);
    underair.actions.paint(data);
    if (!state.at) {
      underair.sound.paint(data);
      announce();
    }
  };

  // Where the list of alarms scrolls away with the page, the first that nobody has seen stays on the screen.
  const cry = (unseen) => {
    const { words, parts } = state;
    const [first] = unseen;
    parts.cry.hidden = !first;
    if (!first) return;
    const [shape, ...spans] = parts.cry.children;
    underair.attribute(parts.cry, "data-a", first.a);
    underair.reshape(shape, first.a);
    const count = underair.fill(words.unseen, { count: unseen.length });
    [first.alarm, [first.who, first.team].filter(Boolean).join(", "), first.age, count].forEach((said, place) => underair.text(spans[place], said));
  };

  // Announced once for screen readers; the lists themselves change each second.
  const announce = () => {
    const { data, words, parts } = state;
    const unseen = data.alarms.filter((alarm) => alarm.grave && alarm.new);
    const fresh = unseen.filter((alarm) => !state.announced.has(alarm.key));
    cry(unseen);
    if (fresh.length) parts.announce.textContent = fresh.map((alarm) => underair.fill(words.announce, alarm)).join(". ");
    state.announced = new Set(unseen.map((alarm) => alarm.key));
  };

  const title = (notLive) => {
    const { words, data } = state;
    if (state.at) return words.title;
    if (notLive) return `${words.bad_sign} ${words.not_live}`;
    const count = data?.alarms?.filter((alarm) => alarm.grave && alarm.new).length;
    return count ? `${words.bad_sign} ${underair.fill(words.title_unseen, { count })}` : words.title;
  };

  const banner = () => {
    const { parts, words, data } = state;
    // A sleeping machine stops the one clock, a clock put right moves the other: the longer of the two counts.
    const silentMs = Math.max(performance.now() - state.goodAt, Date.now() - state.goodWall);
    const lost = !state.at && (silentMs > LOST_AFTER_MS || state.signedOut);
    let text = data?.banner || (state.broken ? words.broken : "");
    if (lost) {
      text = underair.fill(state.signedOut ? words.signed_out : words.lost, {
        seconds: Math.floor(silentMs / 1000),
        clock: state.goodClock || words.never,
      });
    }
    if (parts.banner.textContent !== text || parts.signIn.hidden === state.signedOut) {
      underair.settling(() => {
        parts.banner.hidden = !text;
        parts.signIn.hidden = !state.signedOut;
        underair.text(parts.banner, text);
      });
    }
    const { classList } = document.querySelector("#live");
    classList.toggle("not-live", Boolean(text) && !state.at);
    classList.toggle("past", Boolean(state.at));
    classList.toggle("lost", lost);
    document.title = title(Boolean(text));
  };

  // Lost, asleep or in the background: by the server's own clock the page says what it missed. Each gap adds its times
  // until somebody closes the note: a server that has just started is often late once more.
  const sayGap = (before, after) => {
    if (!before?.ready || !after.ready || after.now - before.now < LOST_AFTER_MS / 1000) return;
    const { parts, words } = state;
    const missed = (state.missed ??= { gaps: [], alarms: new Map() });
    missed.gaps.push(underair.fill(words.gap_one, { from: before.clock, to: after.clock }));
    const known = new Set(before.alarms.map((alarm) => alarm.key));
    for (const alarm of after.alarms.filter((one) => !known.has(one.key))) {
      missed.alarms.set(alarm.key, `${alarm.alarm}, ${alarm.who}`);
    }
    const gap = underair.fill(words.gap, {
      gaps: missed.gaps.join(", "), alarms: [...missed.alarms.values()].join("; ") || words.gap_no_alarm,
    });
    const close = () => {
      parts.gap.hidden = true;
      state.missed = null;
    };
    parts.gap.replaceChildren(
      underair.make("span", {}, gap),
      underair.make("button", { type: "button", onclick: close }, words.dismiss),
    );
    parts.gap.hidden = false;
  };

  const ask = async (address) => {
    const response = await fetch(address, { cache: "no-store", signal: underair.endAfter(state.at ? PAST_AFTER_MS : ABORT_AFTER_MS) });
    state.signedOut = response.status === 401;
    if (!response.ok) throw new Error(`${address}: ${response.status}`);
    return response;
  };

  const turn = async () => {
    let waitMs = POLL_MS;
    state.soon = null; // one request at a time
    try {
      const response = await ask(state.at ? `/board.json?at=${state.at}&${underair.choices.query()}` : `/live.json?${underair.choices.query()}`);
      const ageMs = Number(response.headers.get("X-Underair-Age-Ms"));
      // Ask again right after the server's next tick, not anywhere between two.
      if (!state.at && ageMs < 2 * POLL_MS) waitMs = Math.max(SOONEST_MS, POLL_MS - ageMs + AFTER_TICK_MS);
      state.sessionEnds = Number(response.headers.get("X-Underair-Session-Ends"));
      const before = state.data;
      state.data = await response.json();
      // A server that starts or catches up does answer, and says itself that nothing is live.
      const live = state.data.ready;
      if (before?.ready && !state.data.ready) state.data = { ...before, ...state.data, now: before.now, ready: true };
      sayGap(before, state.data);
      state.token = state.data.token;
      if (ageMs < LOST_AFTER_MS || !live) {
        state.goodAt = performance.now() - (live ? ageMs : 0);
        state.goodWall = Date.now() - (live ? ageMs : 0);
        state.goodClock = state.data.clock ?? state.goodClock;
      }
      state.broken = true; // until all of it is painted
      underair.settling(paint); // first: the lines so far may be long in coming
      state.broken = false;
      if (state.data.ready && performance.now() - state.linesAt > LINES_EVERY_MS) {
        state.linesAt = performance.now();
        state.lines = await (await ask(state.at ? `/board/lines.json?at=${state.at}` : "/live/lines.json")).json();
        underair.settling(paint);
      }
    } catch (problem) {
      // A lost server is expected here: the banner says so. Anything else is a fault of ours and must be seen.
      if (!(problem instanceof TypeError) && problem.name !== "TimeoutError" && problem.name !== "AbortError"
        && !/^\/(live|board)/.test(String(problem.message))) throw problem;
    } finally {
      banner();
      const next = state.at ? null : setTimeout(turn, waitMs); // a past moment does not change
      state.soon = () => {
        clearTimeout(next);
        state.soon = null;
        turn();
      };
    }
  };

  const begin = () => {
    const root = document.querySelector("#live");
    if (!root || state.words) return Boolean(root);
    state.words = JSON.parse(root.dataset.words);
    state.at = root.dataset.at ?? null;
    state.goodAt = performance.now();
    state.goodWall = Date.now();
    build(root);
    if (!state.at) setInterval(banner, 250); // judges the age even while a request hangs
    turn();
    document.addEventListener("visibilitychange", () => document.hidden || banner());
    return true;
  };
  // Dash draws the page's shell after this script has run.
  const watch = new MutationObserver(() => begin() && watch.disconnect());
  watch.observe(document.documentElement, { childList: true, subtree: true });
})();
