// Runs before the first paint: the viewer's own choice of light or dark, kept in this browser only.
"use strict";
(() => {
  const root = document.documentElement;
  const kept = localStorage.getItem("underair-theme");
  if (kept === "light" || kept === "dark") root.dataset.theme = kept;
  document.addEventListener("click", (event) => {
    if (!event.target.closest("#theme-button")) return;
    const dark = root.dataset.theme
      ? root.dataset.theme === "dark"
      : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
    localStorage.setItem("underair-theme", root.dataset.theme);
  });
})();
