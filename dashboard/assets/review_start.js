// Begins the bench once Dash has drawn the page's shell, and again after each visit. Its name loads it after its parts.
"use strict";
(() => {
  const openFinding = (finding) => {
    underair.bench.jump(finding);
    underair.moment.showMessages(`/review/evidence?${underair.bench.query({ finding: finding.id })}`);
  };

  const start = () => {
    const shell = document.getElementById("review-bench");
    if (!shell) return;
    if (!shell.dataset.begun) {
      shell.dataset.begun = "yes";
      underair.bench.begin(JSON.parse(shell.dataset.view));
      underair.pointer.begin();
      underair.notes.begin(underair.bench);
      underair.findings.begin(underair.bench.view, openFinding);
    }
    underair.cursor.listen();
  };

  new MutationObserver(start).observe(document.documentElement, { childList: true, subtree: true });
  start();
})();
