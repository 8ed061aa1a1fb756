// Live figures: the daemon says that something was stored, and parts of the page that ask for it are fetched again.
"use strict";
(() => {
  const PAUSE_MS = 1000;
  // A fact is said when it is stored; the rows that follow from it come later, on a busy machine by seconds.
  const ROWS_MS = 5000;
  const state = document.querySelector("[data-live]");
  if (!state || !window.EventSource) return;
  let waiting = null, later = null;
  const stream = new EventSource("/v1/changes");
  const say = (name) => { state.textContent = state.dataset[name]; state.className = "live " + name; };
  const look = () => htmx.trigger(document.body, "stored");
  const ask = () => {
    clearTimeout(later);
    later = setTimeout(look, ROWS_MS);
    if (waiting) return;
    waiting = setTimeout(() => { waiting = null; look(); }, PAUSE_MS);
  };
  stream.addEventListener("begin", () => { say("on"); ask(); });
  stream.addEventListener("reset", ask);
  stream.addEventListener("stored", ask);
  stream.onerror = () => say("off");
  addEventListener("pagehide", () => stream.close());
})();

// What changed since somebody looked: the instant of the figures that were seen last stays in this browser alone.
(() => {
  const KEY = "pagereeve-looked";
  // Who comes back at once has seen it.
  const AWAY_US = 60e6;
  const place = document.querySelector("[data-looked]");
  if (!place) return;
  const seen = () => Number(document.querySelector("[data-as-of]")?.dataset.asOf);
  const kept = () => { try { return Number(localStorage.getItem(KEY)); } catch { return 0; } };
  const keep = () => { try { if (seen()) localStorage.setItem(KEY, seen()); } catch { /* it may not be kept */ } };
  const show = () => {
    const since = kept();
    if (!Number.isSafeInteger(since) || since <= 0 || !(seen() - since > AWAY_US)) return;
    htmx.ajax("GET", "/now/changed?since=" + since, {target: place, select: "#changed", swap: "innerHTML"});
  };
  show();
  addEventListener("pagehide", keep);
  document.addEventListener("visibilitychange", () => document.hidden ? keep() : show());
})();
