// Puts changed parts of the page in their places as the server sends them, and says when it cannot.
// Everything else on the page works without this file.
"use strict";
(() => {
  const main = document.querySelector("main[data-live]");
  const cut = document.getElementById("cut");
  if (!main || !cut || !window.EventSource) return;
  const SILENT_MS = 12000; // the server says something each four seconds
  let source = null, heard = Date.now(), pressed = false;
  const waiting = new Map();

  // A button that is replaced between press and release would lose the press.
  addEventListener("pointerdown", () => { pressed = true; }, true);
  for (const kind of ["pointerup", "pointercancel"]) {
    addEventListener(kind, () => setTimeout(() => { pressed = false; settle(); }, 60), true);
  }

  const busy = (place) => {
    if (pressed) return true;
    const ticked = place.querySelector("input[type=checkbox]:checked");
    return ticked !== null; // a person is about to press the button beside it
  };

  const settle = () => {
    for (const [id, html] of waiting) {
      const place = document.getElementById(id);
      if (place && busy(place)) continue;
      waiting.delete(id);
      if (!place) continue;
      const focused = place.contains(document.activeElement) ? document.activeElement.id : "";
      const opened = place.querySelector("details[open]") !== null;
      place.innerHTML = html;
      if (opened) for (const more of place.querySelectorAll("details")) more.open = true;
      if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
    }
  };

  const connected = (yes) => {
    cut.hidden = yes;
    document.body.classList.toggle("old", !yes);
  };

  const connect = () => {
    source = new EventSource(main.dataset.live);
    source.onopen = () => { heard = Date.now(); connected(true); };
    source.onerror = () => connected(false);
    source.addEventListener("beat", () => { heard = Date.now(); connected(true); });
    source.addEventListener("part", (event) => {
      heard = Date.now();
      const part = JSON.parse(event.data);
      waiting.set(part.id, part.html);
      settle();
    });
  };

  connect();
  setInterval(() => {
    settle();
    if (Date.now() - heard > SILENT_MS) connected(false);
    // A server that answered with an error is not asked again by the browser itself.
    if (source.readyState === EventSource.CLOSED) connect();
  }, 1500);
  addEventListener("pagehide", () => source.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
})();
