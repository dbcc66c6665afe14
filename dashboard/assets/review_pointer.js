// Pointer and keys on the bench: a click keeps a moment, a drag chooses a window, keys move the cursor and zoom.
"use strict";
(() => {
  const SECOND = 1000;
  const CLICK_PX = 4;
  const byId = (id) => document.getElementById(id);

  const dragOn = (frame, gdOf, range, { click, drag = null, everywhere = false }) => {
    let pressed = null;
    frame.addEventListener("pointerdown", (event) => {
      if (event.button === 0) pressed = event;
    }, true);
    window.addEventListener("pointerup", (event) => {
      const from = pressed;
      pressed = null;
      if (!from) return;
      const ends = [from, event].map((one) => underair.cursor.timeAt(gdOf(), one.clientX, range()));
      if (Math.abs(event.clientX - from.clientX) <= CLICK_PX) {
        if (ends[1] != null || everywhere) click(event, ends[1]);
      } else if (drag && ends[0] != null) {
        drag(ends[0], ends[1] ?? (event.clientX > from.clientX ? range()[1] : range()[0]));
      }
    }, true);
  };

  const onKey = (event) => {
    const { view, zoom } = underair.bench;
    const { set } = underair.cursor;
    const step = (event.shiftKey ? 10 : 1) * SECOND;
    const at = view.at ?? view.window[0];
    const act = {
      ArrowLeft: () => set(at - step),
      ArrowRight: () => set(at + step),
      Home: () => set(view.window[0]),
      End: () => set(view.window[1]),
      Enter: () => set(at, true),
      "+": () => zoom(0.5),
      "=": () => zoom(0.5),
      "-": () => zoom(2),
    }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  };

  const onLanes = () => {
    const { view, setWindow } = underair.bench;
    const { lanesPlot, drawnWindow, timeAt, set, place } = underair.cursor;
    const frame = byId("review-lanes-frame");
    dragOn(frame, lanesPlot, drawnWindow, { click: (_, at) => set(at, true) });
    frame.addEventListener("pointermove", (event) => {
      const at = timeAt(lanesPlot(), event.clientX, drawnWindow());
      if (at == null || event.buttons) return;
      view.at = at;
      place();
      underair.moment.ask();
    });
    frame.addEventListener("dblclick", () => setWindow(...view.whole));
    frame.addEventListener("keydown", onKey);
  };

  // On the overview a click chooses the wearer of its strip; beside the drawing it only chooses.
  const onOverview = () => {
    const { view, togglePerson, setWindow } = underair.bench;
    const { overviewPlot, axisOf, set } = underair.cursor;
    const click = (event, at) => {
      const axis = axisOf(overviewPlot());
      const y = (event.clientY - overviewPlot().getBoundingClientRect().top - axis.top) / axis.height;
      const key = view.everybody[Math.floor(y * view.everybody.length)];
      if (key && y >= 0) togglePerson(key);
      if (at != null) set(at);
    };
    const drag = (a, b) => setWindow(Math.min(a, b), Math.max(a, b));
    dragOn(byId("review-overview-frame"), overviewPlot, () => view.whole, { click, drag, everywhere: true });
  };

  // A cell leads to a moment, or to the withdrawal of a note.
  const follow = (to) => {
    if (to.withdraw) underair.notes.withdraw(to.withdraw, to.text);
    else underair.bench.jump(to);
  };

  underair.pointer = {
    begin: () => {
      onLanes();
      onOverview();
      byId("review-bench").addEventListener("click", (event) => {
        const setter = event.target.closest("[data-set]");
        if (setter) underair.bench.set(...underair.bench.split(setter.dataset.set));
        const jumper = event.target.closest("[data-jump]");
        if (jumper) follow(JSON.parse(jumper.dataset.jump));
      });
    },
  };
})();
