// While new wears are worked out: shows how far it is, and loads the page again when it is done.
"use strict";
(() => {
  let asking = false;
  async function ask(bar) {
    asking = true;
    try {
      const answer = await fetch("/trends/progress.json", { signal: underair.endAfter(5000) });
      const found = await answer.json();
      if (!found.working) {
        location.reload();
        return;
      }
      bar.value = found.part;
      const text = document.getElementById("trends-progress-text");
      if (text) text.textContent = found.text;
    } catch {
      // The server is away for a moment: ask again.
    }
    asking = false;
  }
  setInterval(() => {
    const bar = document.getElementById("trends-progress");
    if (bar && !asking) ask(bar);
  }, 1000);
})();
