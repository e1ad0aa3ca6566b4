// Keeps the first page live without a reload: asks for a mark of each part, and fetches the parts whose mark changed.
"use strict";
(() => {
  const body = document.body;
  const poll = 1000 * Number(body.dataset.poll || 0);
  const lostAfter = 1000 * Number(body.dataset.lost || 0);
  let heard = Date.now(), lost = false, etag = "";

  const box = (name) => document.getElementById("part-" + name);

  async function take(name, mark) {
    const answer = await fetch("/part/" + name, { credentials: "same-origin" });
    if (!answer.ok) return;
    const place = box(name);
    const open = [...place.querySelectorAll("details[open]")].map((d) => d.id);
    const focused = place.contains(document.activeElement) ? document.activeElement.closest("[id]") : null;
    place.innerHTML = await answer.text();
    place.dataset.mark = mark;
    for (const id of open) document.getElementById(id)?.setAttribute("open", "");
    if (focused) document.getElementById(focused.id)?.querySelector("summary, a, button")?.focus();
  }

  async function look() {
    const answer = await fetch("/live.json", {
      credentials: "same-origin", cache: "no-store", redirect: "error", signal: AbortSignal.timeout(8000),
      headers: { Accept: "application/json", ...(etag && !lost ? { "If-None-Match": etag } : {}) },
    });
    if (answer.status === 401) { location.reload(); return; }
    if (answer.status !== 304 && !answer.ok) throw new Error(answer.status);
    heard = Date.now();
    if (answer.status === 304) return;
    etag = answer.headers.get("ETag") || "";
    const marks = await answer.json();
    for (const [name, mark] of Object.entries(marks)) {
      if (box(name) && (lost || box(name).dataset.mark !== mark)) await take(name, mark);
    }
    lost = false;
    body.classList.remove("lost");
  }

  // Nothing heard for long: what is shown is no longer the state of the unit, and must not look like it.
  function lose() {
    lost = true;
    body.classList.add("lost");
    for (const name of ["say", "ladder"]) {
      const blank = document.getElementById("lost-" + name);
      box(name).replaceChildren(blank.content.cloneNode(true));
    }
    box("figures").textContent = "There are no fresh readings.";
  }

  async function round() {
    try { if (!document.hidden) await look(); } catch { /* the next round tries again */ }
    if (!lost && Date.now() - heard > lostAfter) lose();
    setTimeout(round, poll);
  }

  if (poll && box("say")) {
    document.addEventListener("visibilitychange", () => { if (!document.hidden) look().catch(() => {}); });
    setTimeout(round, poll);
  }
  if ("serviceWorker" in navigator && window.isSecureContext) navigator.serviceWorker.register("/worker.js").catch(() => {});
})();
