// The bench's cursor: a line over all lanes, and the frame of the window on the overview. Both are drawn here, so that
// neither a moving pointer nor a zoom draws a figure again.
"use strict";
(() => {
  const SHEET_PX = [650, 950]; // the sides of an A4 sheet, less its margins
  const byId = (id) => document.getElementById(id);
  const plot = (id) => byId(id)?.querySelector(".js-plotly-plot");
  const lanesPlot = () => plot("review-lanes");
  const overviewPlot = () => plot("review-overview");

  // plotly names neither the drawing's inner area nor the range drawn in its public interface. Without them there is
  // no cursor, and nothing else fails; tests/browser/test_review_page.py moves the cursor with the plotly in use.
  const axisOf = (gd) => {
    const size = gd?._fullLayout?._size;
    return size ? { left: size.l, width: size.w, top: size.t, height: size.h } : null;
  };

  // What the lanes show is what is drawn: a zoom that the server has not answered moves no time.
  const drawnWindow = () => lanesPlot()?._fullLayout?.xaxis?.range ?? underair.bench.view.window;

  const timeAt = (gd, clientX, window) => {
    const axis = axisOf(gd);
    return axis ? underair.windows.momentAt(clientX - gd.getBoundingClientRect().left, axis, window) : null;
  };

  const place = (text) => {
    const line = byId("review-cursor");
    const axis = axisOf(lanesPlot());
    const { at } = underair.bench.view;
    const share = axis && at != null ? underair.windows.shareOf(at, drawnWindow()) : -1;
    line.hidden = !(share >= 0 && share <= 1);
    if (line.hidden) return;
    line.style.left = `${axis.left + share * axis.width}px`;
    line.style.top = `${axis.top}px`;
    line.style.height = `${axis.height}px`;
    line.classList.toggle("leftwards", share > 0.8);
    if (text) byId("review-cursor-time").textContent = text;
  };

  const frameWindow = () => {
    const axis = axisOf(overviewPlot());
    if (!axis) return;
    const { view, isWhole } = underair.bench;
    const [start, end] = view.window.map((at) => axis.left + underair.windows.shareOf(at, view.whole) * axis.width);
    const parts = { before: [axis.left, start], inside: [start, end], after: [end, axis.left + axis.width] };
    for (const [name, [from, to]] of Object.entries(parts)) {
      const part = byId(`review-${name}`);
      part.hidden = isWhole();
      part.style.left = `${from}px`;
      part.style.width = `${Math.max(to - from, 0)}px`;
      part.style.top = `${axis.top}px`;
      part.style.height = `${axis.height}px`;
    }
  };

  const set = (at, alsoMessages = false) => {
    const { view, query, setWindow, keepInAddress } = underair.bench;
    view.at = Math.min(Math.max(at, view.whole[0]), view.whole[1]);
    if (view.at < view.window[0] || view.at > view.window[1]) {
      setWindow(...underair.windows.around(view.at, view.window[1] - view.window[0]));
    }
    place();
    underair.moment.ask();
    if (alsoMessages) {
      keepInAddress();
      underair.moment.showMessages(`/review/messages?${query({ at: view.at })}`);
    }
  };

  // plotly reports its own drag zoom.
  const listen = () => {
    const gd = lanesPlot();
    if (!gd?.on || !overviewPlot()?.on || gd.dataset.heard) return;
    gd.dataset.heard = "yes";
    gd.on("plotly_relayout", (change) => {
      const [start, end] = [change["xaxis.range[0]"], change["xaxis.range[1]"]];
      if (start != null && end != null) underair.bench.setWindow(start, end);
    });
    gd.on("plotly_afterplot", () => {
      place();
      underair.bench.fit();
    });
    overviewPlot().on("plotly_afterplot", frameWindow);
    frameWindow();
    place();
    underair.bench.fit();
    if (underair.bench.view.at != null) underair.moment.ask();
  };

  // plotly draws in pixels of the screen: on paper the drawings become as small as the sheet is narrow.
  const onPaper = (printed) => {
    if (!underair.bench.view) return;
    for (const id of ["review-overview", "review-lanes"]) {
      const { width, height } = plot(id)?._fullLayout ?? {};
      if (!width) continue;
      const [short, long] = SHEET_PX;
      const upright = Math.min(1, short / width, Math.max(long / height, 0.7)); // on one sheet, where that is legible
      const lying = Math.min(1, long / width, Math.max(short / height, 0.5));
      const { style } = byId(`${id}-frame`);
      style.setProperty("--upright", printed ? String(upright) : "");
      style.setProperty("--lying", printed ? String(lying) : "");
    }
  };
  window.addEventListener("beforeprint", () => onPaper(true));
  window.addEventListener("afterprint", () => onPaper(false));

  underair.cursor = { axisOf, lanesPlot, overviewPlot, drawnWindow, timeAt, place, frameWindow, set, listen };
})();
