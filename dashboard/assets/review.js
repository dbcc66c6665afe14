// The review bench: owns the view (window, wearers, lanes, units, clock, cursor), keeps it in the address and asks the
// server's callback for figures. The files `review_*.js` draw the cursor, show moments and take input. All words come
// from the server.
"use strict";
(() => {
  const SECOND = 1000;
  const byId = (id) => document.getElementById(id);
  let view = null;

  const say = (text) => (byId("review-said").textContent = text);
  const isWhole = () => underair.windows.covers(view.window, view.whole);

  // ---- the view, the stores of the server's callback, and the address

  const picture = () => ({
    incident: view.incident,
    people: view.people.join(","),
    lanes: view.lanes.length === view.allLanes.length ? "" : view.lanes.join(","),
    units: view.units,
    zone: view.zone,
    overlay: view.overlay ? "yes" : "",
  });
  const windowOf = () => (isWhole() ? {} : { from: String(view.window[0]), to: String(view.window[1]) });
  const atOf = () => (view.at == null ? {} : { at: String(Math.round(view.at)) });
  const query = (extra = {}) => underair.windows.query({ ...picture(), ...windowOf(), ...extra });

  // How wide the drawing is decides how many of the desk's words find room.
  const width = () => {
    const axis = underair.cursor.axisOf(underair.cursor.lanesPlot());
    if (axis) view.px = Math.round(axis.width);
    return axis ? { px: String(view.px) } : {};
  };
  // The server could not know it, or it has changed since.
  const fit = () => {
    const placedFor = view.px;
    const asked = width();
    if (Math.abs(view.px - placedFor) > 0.1 * placedFor) window.dash_clientside.set_props("review-window", { data: { ...windowOf(), ...asked } });
    else view.px = placedFor;
  };

  const keepInAddress = () => history.replaceState(history.state, "", `/review?${query(atOf())}`);

  const draw = (what) => {
    say("");
    if (what.picture) window.dash_clientside.set_props("review-picture", { data: { ...picture(), ...width() } });
    if (what.window) window.dash_clientside.set_props("review-window", { data: { ...windowOf(), ...width() } });
    keepInAddress();
    showChoices();
    underair.cursor.frameWindow();
    // The figure comes by another way, which is silent when the server is not there.
    if (view.at == null) underair.moment.fetched(`/review/moment?${query({ at: view.window[0] })}`);
    else underair.moment.ask();
  };

  const setWindow = (from, to, alsoPicture = false) => {
    view.window = underair.windows.within(from, to, view.whole);
    draw({ window: true, picture: alsoPicture });
    underair.cursor.place();
  };
  const zoom = (factor) => setWindow(...underair.windows.zoomed(view.window, view.at, factor));
  const move = (share) => setWindow(...underair.windows.moved(view.window, share));

  const togglePerson = (key) => {
    const chosen = view.people.includes(key);
    if (chosen && view.people.length === 1) return;
    if (!chosen && view.people.length >= view.most) {
      say(underair.fill(view.words.atMost, { most: view.most }));
      return;
    }
    const wanted = chosen ? view.people.filter((one) => one !== key) : [...view.people, key];
    view.people = view.everybody.filter((one) => wanted.includes(one));
    draw({ picture: true });
    underair.moment.ask();
  };

  const setSpan = (value) => {
    if (value === "all") return setWindow(...view.whole);
    const middle = view.at ?? (view.window[0] + view.window[1]) / 2;
    return setWindow(...underair.windows.around(middle, Number(value) * SECOND));
  };
  const MOVES = { earlier: () => move(-0.5), later: () => move(0.5), in: () => zoom(0.5), out: () => zoom(2) };

  const set = (name, value) => {
    if (name === "span") return setSpan(value);
    if (name === "picture") return saveLanes();
    if (name === "move") return MOVES[value]();
    if (name === "person") return togglePerson(value);
    if (name === "units" || name === "clock") return reread(name, value);
    if (name === "overlay") view.overlay = !view.overlay;
    if (name === "lane") {
      const wanted = view.lanes.includes(value) ? view.lanes.filter((lane) => lane !== value) : [...view.lanes, value];
      if (!wanted.length) return;
      view.lanes = view.allLanes.filter((lane) => wanted.includes(lane));
    }
    draw({ picture: true });
    underair.moment.ask();
  };

  // As drawn now, in the colours of the page's theme.
  const saveLanes = () => {
    const gd = underair.cursor.lanesPlot();
    const { width: wide, height } = gd.querySelector(".main-svg").getBoundingClientRect();
    const filename = `${view.incident}-${new Date(view.window[0]).toISOString().slice(0, 19).replaceAll(":", "")}`;
    window.Plotly.downloadImage(gd, { format: "png", width: wide, height, scale: 2, filename });
  };

  // Units and clock change every table and finding as well, so the page is loaded again with them.
  const reread = (name, value) => {
    if (name === "units") view.units = value;
    else view.zone = value === "utc" ? "UTC" : Intl.DateTimeFormat().resolvedOptions().timeZone;
    again();
  };
  const again = () => location.assign(`/review?${query(atOf())}`);

  const showChoices = () => {
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
  };

  /** @type {Underair["bench"]["split"]} */
  const split = (text) => [text.slice(0, text.indexOf(":")), text.slice(text.indexOf(":") + 1)];

  const jump = (to) => {
    if (to.at != null) view.at = to.at;
    const another = to.person && !view.people.includes(to.person);
    if (another) view.people = view.everybody.filter((key) => key === to.person);
    if (to.window) setWindow(to.window[0], to.window[1], another);
    underair.moment.ask();
    byId("review-lanes-frame").scrollIntoView({ block: "nearest" });
  };

  underair.bench = {
    begin: (found) => {
      view = underair.bench.view = found;
      showChoices();
    },
    view: null,
    say, fit, isWhole, query, atOf, keepInAddress, setWindow, zoom, togglePerson, set, again, jump, split,
  };
})();
