// Has the text checked a moment after each change. The buttons work without this file.
"use strict";
(() => {
  const form = document.getElementById("edit");
  const text = document.getElementById("text");
  const place = document.getElementById("findings");
  if (!form || !text || !place || !window.fetch) return;
  const take = form.querySelector("button[value=take]");
  let timer = 0, asked = 0;
  const look = async () => {
    const number = ++asked;
    const body = new URLSearchParams({ do: "look", text: text.value, mark: "" });
    try {
      const answer = await fetch(form.action, { method: "POST", body });
      if (number !== asked) return; // a later one is under way
      place.innerHTML = answer.ok ? await answer.text() : "";
      take.disabled = !answer.ok || place.querySelector(".look") !== null;
    } catch {
      place.textContent = "not connected: it could not be checked";
      take.disabled = true;
    }
  };
  text.addEventListener("input", () => { clearTimeout(timer); timer = setTimeout(look, 400); });
  if (text.value !== text.defaultValue) look(); // typed before this file had come
})();
