// Where people sign in: every change of ours carries the session's token, and a session that is over leads to the form.
"use strict";
(() => {
  const plain = window.fetch;
  let leaving = false;
  const token = () => document.cookie.match(/(?:^|;\s*)_csrf_token=([0-9a-f]+)/)?.[1] ?? "";

  window.fetch = async (/** @type {any} */ resource, options = {}) => {
    const address = new URL(resource.url ?? resource, location.href);
    const method = (options.method ?? resource.method ?? "GET").toUpperCase();
    let told = options;
    if (address.origin === location.origin && method !== "GET" && method !== "HEAD") {
      const headers = new Headers(options.headers ?? resource.headers);
      headers.set("X-CSRFToken", token());
      told = { ...options, headers };
    }
    const answer = await plain(resource, told);
    const over = answer.status === 401 && answer.headers.has("X-Underair-Sign-In") && !leaving;
    // The live page keeps its rows and what was typed: it says itself that it is signed out.
    if (over && !window.underair?.state?.data?.ready) {
      location.assign(`/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`);
    }
    return answer;
  };

  document.addEventListener("click", async (event) => {
    if (event.target.closest("#sign-out")) {
      leaving = true; // the page's own requests are refused from here on: that must not lead elsewhere
      try {
        await window.fetch("/sign-out", { method: "POST" });
      } catch (lost) {
        leaving = false;
        throw lost;
      }
      location.assign("/sign-in");
    }
    const end = event.target.closest("[data-end-session]");
    if (end) {
      await window.fetch(`/access/end/${encodeURIComponent(end.dataset.endSession)}`, { method: "POST" });
      location.reload();
    }
    if (event.target.closest("#anew-publish")) {
      const period = document.querySelector("#anew-period").value;
      const answer = await window.fetch(`/access/publish-anew/${encodeURIComponent(period)}`, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ reason: document.querySelector("#anew-reason").value }),
      });
      const said = await answer.json();
      document.querySelector("#anew-told").textContent = said.told ?? said.problem ?? "";
    }
  });
})();
