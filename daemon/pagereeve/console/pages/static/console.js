// Live figures: the daemon says that something was stored, and parts of the page that ask for it are fetched again.
"use strict";
(() => {
  const PAUSE_MS = 1000;
  const state = document.querySelector("[data-live]");
  if (!state || !window.EventSource) return;
  let waiting = null;
  const stream = new EventSource("/v1/changes");
  const say = (name) => { state.textContent = state.dataset[name]; state.className = "live " + name; };
  const ask = () => {
    if (waiting) return;
    waiting = setTimeout(() => { waiting = null; htmx.trigger(document.body, "stored"); }, PAUSE_MS);
  };
  stream.addEventListener("begin", () => { say("on"); ask(); });
  stream.addEventListener("reset", ask);
  stream.addEventListener("stored", ask);
  stream.onerror = () => say("off");
  addEventListener("pagehide", () => stream.close());
})();
