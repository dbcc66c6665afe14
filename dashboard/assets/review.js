// The review bench: owns the view (window, wearers, lanes, units, clock, cursor), keeps it in the URL and asks the
// server for figures, moments and messages. All words come from the server.
"use strict";
(() => {
  const SECOND = 1000;
  const SHORTEST = 2 * SECOND;
  const CLICK_PX = 4;
  const SHEET_PX = 650; // the shorter side of an A4 sheet, less its margins
  const byId = (id) => document.getElementById(id);
  let view = null;
  let asking = false;
  let askAgain = false;
  let latestMessages = "";

  function element(tag, properties = {}, ...children) {
    const node = document.createElement(tag);
    Object.assign(node, properties);
    node.append(...children);
    return node;
  }

  // ---- the view, the stores of the server's callback, and the URL

  const isWhole = () => view.window[0] <= view.whole[0] && view.window[1] >= view.whole[1];

  function picture() {
    return {
      incident: view.incident,
      people: view.people.join(","),
      lanes: view.lanes.length === view.allLanes.length ? "" : view.lanes.join(","),
      units: view.units,
      zone: view.zone,
      overlay: view.overlay ? "yes" : "",
    };
  }

  function windowOf() {
    return isWhole() ? {} : { from: String(view.window[0]), to: String(view.window[1]) };
  }

  // How wide the drawing is decides how many of the desk's words find room.
  function width() {
    const axis = axisOf(lanesPlot());
    return axis ? { px: String(Math.round(axis.width)) } : {};
  }

  function query(extra = {}) {
    const parts = { ...picture(), ...windowOf(), ...extra };
    if (parts.zone === "UTC") delete parts.zone;
    if (parts.units === "metric") delete parts.units;
    return new URLSearchParams(Object.entries(parts).filter(([, value]) => value !== "" && value != null));
  }

  function keepInAddress() {
    const at = view.at == null ? {} : { at: String(Math.round(view.at)) };
    history.replaceState(history.state, "", `/review?${query(at)}`);
  }

  function draw(what) {
    say("");
    if (what.picture) window.dash_clientside.set_props("review-picture", { data: { ...picture(), ...width() } });
    if (what.window) window.dash_clientside.set_props("review-window", { data: { ...windowOf(), ...width() } });
    keepInAddress();
    showChoices();
    frameWindow();
    // The figure comes by another way, which is silent when the server is not there.
    if (view.at == null) fetched(`/review/moment?${query({ at: view.window[0] })}`);
    else ask();
  }

  function setWindow(start, end, alsoPicture = false) {
    const length = Math.min(Math.max(end - start, SHORTEST), view.whole[1] - view.whole[0]);
    const middle = (start + end) / 2;
    let from = middle - length / 2;
    from = Math.min(Math.max(from, view.whole[0]), view.whole[1] - length);
    view.window = [from, from + length];
    draw({ window: true, picture: alsoPicture });
    placeCursor();
  }

  function zoom(factor) {
    const [start, end] = view.window;
    const inside = view.at != null && view.at >= start && view.at <= end;
    const middle = inside ? view.at : (start + end) / 2;
    setWindow(middle - ((middle - start) * factor), middle + ((end - middle) * factor));
  }

  function move(share) {
    const step = (view.window[1] - view.window[0]) * share;
    setWindow(view.window[0] + step, view.window[1] + step);
  }

  function togglePerson(key) {
    const chosen = view.people.includes(key);
    if (chosen && view.people.length === 1) return;
    if (!chosen && view.people.length >= view.most) {
      say(view.words.atMost.replace("{most}", view.most));
      return;
    }
    const wanted = chosen ? view.people.filter((one) => one !== key) : [...view.people, key];
    view.people = view.everybody.filter((one) => wanted.includes(one));
    draw({ picture: true });
    ask();
  }

  const say = (text) => (byId("review-said").textContent = text);

  function set(name, value) {
    if (name === "span") {
      if (value === "all") return setWindow(...view.whole);
      const middle = view.at ?? (view.window[0] + view.window[1]) / 2;
      return setWindow(middle - (value * SECOND) / 2, middle + (value * SECOND) / 2);
    }
    if (name === "picture") return saveLanes();
    if (name === "move") return { earlier: () => move(-0.5), later: () => move(0.5), in: () => zoom(0.5), out: () => zoom(2) }[value]();
    if (name === "person") return togglePerson(value);
    if (name === "units" || name === "clock") return reread(name, value);
    if (name === "overlay") view.overlay = !view.overlay;
    if (name === "lane") {
      const wanted = view.lanes.includes(value) ? view.lanes.filter((lane) => lane !== value) : [...view.lanes, value];
      if (!wanted.length) return;
      view.lanes = view.allLanes.filter((lane) => wanted.includes(lane));
    }
    draw({ picture: true });
    ask();
  }

  // As drawn now, in the colours of the page's theme.
  function saveLanes() {
    const gd = lanesPlot();
    const { width: wide, height } = gd._fullLayout;
    const filename = `${view.incident}-${new Date(view.window[0]).toISOString().slice(0, 19).replaceAll(":", "")}`;
    window.Plotly.downloadImage(gd, { format: "png", width: wide, height, scale: 2, filename });
  }

  // Units and clock change every table and finding as well: the page is made anew with them.
  function reread(name, value) {
    if (name === "units") view.units = value;
    else view.zone = value === "utc" ? "UTC" : Intl.DateTimeFormat().resolvedOptions().timeZone;
    again();
  }

  function again() {
    const at = view.at == null ? {} : { at: String(Math.round(view.at)) };
    location.assign(`/review?${query(at)}`);
  }

  function showChoices() {
    const length = String(Math.round((view.window[1] - view.window[0]) / SECOND));
    const local = view.zone !== "UTC";
    const pressed = {
      span: (value) => (isWhole() ? value === "all" : value === length),
      person: (value) => view.people.includes(value),
      lane: (value) => view.lanes.includes(value),
      units: (value) => value === view.units,
      overlay: () => view.overlay,
      clock: (value) => (value === "local") === local,
    };
    for (const link of document.querySelectorAll("#review-bench [data-export]")) {
      link.href = `/review/export?${query({ format: link.dataset.export })}`;
    }
    const drawn = byId("review-lanes-svg");
    if (drawn) drawn.href = `/review/lanes.svg?${query(width())}`;
    for (const button of document.querySelectorAll("#review-bench [data-set]")) {
      const [name, value] = split(button.dataset.set);
      if (pressed[name]) button.setAttribute("aria-pressed", String(pressed[name](value)));
    }
  }

  const split = (text) => [text.slice(0, text.indexOf(":")), text.slice(text.indexOf(":") + 1)];

  function jump(to) {
    if (to.at != null) view.at = to.at;
    const another = to.person && !view.people.includes(to.person);
    if (another) view.people = view.everybody.filter((key) => key === to.person);
    if (to.window) setWindow(to.window[0], to.window[1], another);
    ask();
    byId("review-lanes-frame").scrollIntoView({ block: "nearest" });
  }

  // ---- the cursor: a line over all lanes, drawn here; values come from the server's record, never from thinned points

  const plot = (id) => byId(id)?.querySelector(".js-plotly-plot");
  const lanesPlot = () => plot("review-lanes");

  function axisOf(gd) {
    const size = gd?._fullLayout?._size;
    return size ? { left: size.l, width: size.w, top: size.t, height: size.h } : null;
  }

  // What the lanes show is what is drawn: a zoom that the server has not answered moves no time.
  function drawnWindow() {
    const range = lanesPlot()?._fullLayout?.xaxis?.range;
    return range ?? view.window;
  }

  function timeAt(gd, clientX, [start, end]) {
    const axis = axisOf(gd);
    if (!axis) return null;
    const share = (clientX - gd.getBoundingClientRect().left - axis.left) / axis.width;
    return share < 0 || share > 1 ? null : start + share * (end - start);
  }

  function placeCursor(text) {
    const line = byId("review-cursor");
    const gd = lanesPlot();
    const axis = axisOf(gd);
    const [start, end] = drawnWindow();
    const share = axis && view.at != null ? (view.at - start) / (end - start) : -1;
    line.hidden = !(share >= 0 && share <= 1);
    if (line.hidden) return;
    line.style.left = `${axis.left + share * axis.width}px`;
    line.style.top = `${axis.top}px`;
    line.style.height = `${axis.height}px`;
    line.classList.toggle("leftwards", share > 0.8);
    if (text) byId("review-cursor-time").textContent = text;
  }

  // The window on the overview: a frame of our own, so that a zoom does not draw the strips anew.
  function frameWindow() {
    const axis = axisOf(plot("review-overview"));
    if (!axis) return;
    const place = (at) => axis.left + ((at - view.whole[0]) / (view.whole[1] - view.whole[0])) * axis.width;
    const [start, end] = view.window.map(place);
    const parts = { before: [axis.left, start], inside: [start, end], after: [end, axis.left + axis.width] };
    for (const [name, [from, to]] of Object.entries(parts)) {
      const part = byId(`review-${name}`);
      part.hidden = isWhole();
      part.style.left = `${from}px`;
      part.style.width = `${Math.max(to - from, 0)}px`;
      part.style.top = `${axis.top}px`;
      part.style.height = `${axis.height}px`;
    }
  }

  function setCursor(at, alsoMessages) {
    view.at = Math.min(Math.max(at, view.whole[0]), view.whole[1]);
    if (view.at < view.window[0] || view.at > view.window[1]) {
      const half = (view.window[1] - view.window[0]) / 2;
      setWindow(view.at - half, view.at + half);
    }
    placeCursor();
    ask();
    if (alsoMessages) {
      keepInAddress();
      showMessages(`/review/messages?${query({ at: view.at })}`);
    }
  }

  async function fetched(address) {
    try {
      const answer = await fetch(address);
      const told = await answer.json();
      if (byId("review-said").textContent === view.words.unreachable) say("");
      return told;
    } catch {
      say(view.words.unreachable);
      return null;
    }
  }

  // One question at a time: while one is under way, only the latest place of the cursor waits.
  async function ask() {
    if (view.at == null) return;
    askAgain = asking;
    if (asking) return;
    asking = true;
    const told = await fetched(`/review/moment?${query({ at: view.at })}`);
    asking = false;
    if (told?.people) showMoment(told);
    else forgetMoment();
    if (askAgain) ask();
  }

  // Values of another moment would stand beside a cursor that has moved on.
  function forgetMoment() {
    byId("review-cursor-time").textContent = "";
    byId("review-moment").replaceChildren();
    byId("review-moment-hint").hidden = false;
  }

  function showMoment(told) {
    placeCursor(told.time);
    byId("review-moment-hint").hidden = true;
    byId("review-moment").replaceChildren(
      element("p", { className: "moment-clock" }, element("b", { textContent: told.clock }), ` ${told.zone}`),
      element("p", { className: "note" }, element("a", { href: told.board, textContent: view.words.board })),
      ...told.people.map((person) =>
        element(
          "section",
          {},
          element("h3", { textContent: person.title }),
          element(
            "dl",
            {},
            ...person.rows.flatMap((row) => [
              element("dt", { textContent: row.name }),
              element("dd", {}, element("b", { textContent: row.value }), " ", element("span", { textContent: row.remark })),
            ]),
          ),
        ),
      ),
      element("p", { className: "note", textContent: told.note }),
    );
  }

  async function showMessages(address) {
    latestMessages = address;
    const told = await fetched(address);
    if (latestMessages !== address) return; // another was asked for in the meantime
    if (told?.problem) say(told.problem);
    if (!told?.rows) return;
    const heads = Object.keys(told.heads).filter((key) => !["at", "kind"].includes(key));
    byId("review-messages").replaceChildren(
      element("h2", { textContent: told.title }),
      element("p", { className: "note", textContent: told.note }),
      ...(told.about ? [element("p", { className: "note" }, element("a", { href: told.about.href, textContent: told.about.text }))] : []),
      element(
        "ol",
        {},
        ...told.rows.map((row) =>
          element(
            "li",
            {},
            element("p", { className: "message-head" }, element("b", { textContent: row.at }), ` ${row.kind}`),
            element("pre", { textContent: row.payload }),
            element(
              "dl",
              {},
              ...heads.flatMap((key) => [
                element("dt", { textContent: told.heads[key] }),
                element("dd", { textContent: row[key] }),
              ]),
            ),
          ),
        ),
      ),
    );
  }

  // ---- findings: the list is `review_findings.js`

  function openFinding(finding) {
    jump(finding);
    showMessages(`/review/evidence?${query({ finding: finding.id })}`);
  }

  // ---- pointer and keys

  function dragOn(frame, gdOf, range, { click, drag }) {
    let pressed = null;
    frame.addEventListener("pointerdown", (event) => {
      if (event.button === 0) pressed = event;
    }, true);
    window.addEventListener("pointerup", (event) => {
      const from = pressed;
      pressed = null;
      if (!from) return;
      const ends = [timeAt(gdOf(), from.clientX, range()), timeAt(gdOf(), event.clientX, range())];
      if (Math.abs(event.clientX - from.clientX) <= CLICK_PX) {
        if (ends[1] != null || click.everywhere) click(event, ends[1]);
      } else if (drag && ends[0] != null) {
        drag(ends[0], ends[1] ?? (event.clientX > from.clientX ? range()[1] : range()[0]));
      }
    }, true);
  }

  function wire() {
    const frame = byId("review-lanes-frame");
    dragOn(frame, lanesPlot, drawnWindow, { click: (_, at) => setCursor(at, true) });
    frame.addEventListener("pointermove", (event) => {
      const at = timeAt(lanesPlot(), event.clientX, drawnWindow());
      if (at == null || event.buttons) return;
      view.at = at;
      placeCursor();
      ask();
    });
    frame.addEventListener("dblclick", () => setWindow(...view.whole));
    frame.addEventListener("keydown", (event) => {
      const step = (event.shiftKey ? 10 : 1) * SECOND;
      const at = view.at ?? view.window[0];
      const act = {
        ArrowLeft: () => setCursor(at - step),
        ArrowRight: () => setCursor(at + step),
        Home: () => setCursor(view.window[0]),
        End: () => setCursor(view.window[1]),
        Enter: () => setCursor(at, true),
        "+": () => zoom(0.5),
        "=": () => zoom(0.5),
        "-": () => zoom(2),
      }[event.key];
      if (!act) return;
      event.preventDefault();
      act();
    });

    const strips = byId("review-overview-frame");
    const overview = () => plot("review-overview");
    const choose = (event, at) => {
      const axis = axisOf(overview());
      const y = (event.clientY - overview().getBoundingClientRect().top - axis.top) / axis.height;
      const key = view.everybody[Math.floor(y * view.everybody.length)];
      if (key && y >= 0) togglePerson(key);
      if (at != null) setCursor(at);
    };
    choose.everywhere = true;
    dragOn(strips, overview, () => view.whole, { click: choose, drag: (a, b) => setWindow(Math.min(a, b), Math.max(a, b)) });

    byId("review-bench").addEventListener("click", (event) => {
      const setter = event.target.closest("[data-set]");
      if (setter) set(...split(setter.dataset.set));
      const jumper = event.target.closest("[data-jump]");
      if (jumper) follow(JSON.parse(jumper.dataset.jump));
    });
  }

  // A cell leads to a moment, or to the withdrawal of a note.
  function follow(to) {
    if (to.withdraw) window.underairNotes.withdraw(to.withdraw, to.text);
    else jump(to);
  }

  // Plotly tells of its own drag zoom.
  function listenToPlot() {
    const gd = lanesPlot();
    if (!gd?.on || !plot("review-overview")?.on || gd.dataset.heard) return;
    gd.dataset.heard = "yes";
    gd.on("plotly_relayout", (change) => {
      const [start, end] = [change["xaxis.range[0]"], change["xaxis.range[1]"]];
      if (start != null && end != null) setWindow(start, end);
    });
    gd.on("plotly_afterplot", () => placeCursor());
    plot("review-overview")?.on?.("plotly_afterplot", frameWindow);
    frameWindow();
    placeCursor();
    if (view.at != null) ask();
  }

  // Plotly draws in pixels of the screen: on paper the drawings become as small as the sheet is narrow.
  function onPaper(printed) {
    for (const id of ["review-overview", "review-lanes"]) {
      const { width, height } = plot(id)?._fullLayout ?? {};
      const least = Math.max(SHEET_PX / height, 0.5); // of a sheet that lies, where that leaves it legible
      if (width) byId(`${id}-frame`).style.zoom = printed ? Math.min(1, SHEET_PX / width, least) : "";
    }
  }
  window.addEventListener("beforeprint", () => view && onPaper(true));
  window.addEventListener("afterprint", () => view && onPaper(false));

  function start() {
    const bench = byId("review-bench");
    if (!bench) return;
    if (!bench.dataset.begun) {
      bench.dataset.begun = "yes";
      view = JSON.parse(bench.dataset.view);
      showChoices();
      wire();
      window.underairNotes.begin({ view, say, again, query });
      window.underairFindings.begin({ view, open: openFinding });
    }
    listenToPlot();
  }

  new MutationObserver(start).observe(document.documentElement, { childList: true, subtree: true });
  start();
})();
