// The page of the method: what an address points at is there only after Dash and its texts have come.
"use strict";
(() => {
  if (location.pathname !== "/method") return;
  let wanted = "";

  // A heading by its name; else the row of a table that begins with it.
  const placeOf = (name) =>
    document.getElementById(name) ??
    [...document.querySelectorAll(".method td:first-child code")]
      .find((code) => code.textContent === name)
      ?.closest("tr");

  const show = () => {
    const place = wanted && placeOf(wanted);
    if (!place) return;
    place.classList.add("wanted");
    place.tabIndex = -1;
    place.focus({ preventScroll: true });
    place.scrollIntoView({ block: place.tagName === "TR" ? "center" : "start" });
  };
  const begin = () => {
    document.querySelector(".method .wanted")?.classList.remove("wanted");
    wanted = location.hash.slice(1);
    show();
  };

  // Texts above may come after those below: the place is kept until the reader moves.
  new MutationObserver(show).observe(document, { childList: true, subtree: true });
  for (const moved of ["wheel", "pointerdown", "keydown", "touchstart"]) {
    document.addEventListener(moved, () => (wanted = ""), { passive: true });
  }
  addEventListener("hashchange", begin);
  begin();
})();
