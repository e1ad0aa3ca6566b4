// Keeps the first page, and the state in every header, live without a reload: asks for a mark of each part, and fetches the parts whose mark changed.
// Opens a shared report from the code in its link. Nothing else of the page needs a script.
"use strict";
(() => {
  const body = document.body;
  const poll = 1000 * Number(body.dataset.poll || 0);
  const lostAfter = 1000 * Number(body.dataset.lost || 0);
  let heard = Date.now(), lost = false, etag = "";

  const box = (name) => document.getElementById("part-" + name);

  async function take(name, mark) {
    // With an end to the wait: a part that never comes must not keep an old state standing.
    const answer = await fetch("/part/" + name, {
      credentials: "same-origin", redirect: "error", signal: AbortSignal.timeout(8000),
    });
    if (!answer.ok) throw new Error(answer.status);
    const html = await answer.text();
    const place = box(name);
    const open = [...place.querySelectorAll("details[open]")].map((d) => d.id);
    const focused = place.contains(document.activeElement) ? document.activeElement.closest("[id]") : null;
    place.innerHTML = html;
    place.dataset.mark = mark;
    for (const id of open) document.getElementById(id)?.setAttribute("open", "");
    document.dispatchEvent(new Event("charts"));
    const again = focused && document.getElementById(focused.id);
    if (again) (again.matches("[role=slider]") ? again : again.querySelector("summary, a, button"))?.focus();
  }

  async function look() {
    const answer = await fetch("/live.json", {
      credentials: "same-origin", cache: "no-store", redirect: "error", signal: AbortSignal.timeout(8000),
      headers: { Accept: "application/json", ...(etag && !lost ? { "If-None-Match": etag } : {}) },
    });
    if (answer.status === 401) { location.reload(); return; }
    if (answer.status !== 304 && !answer.ok) throw new Error(answer.status);
    if (answer.status === 304) { heard = Date.now(); return; }
    const marks = await answer.json();
    for (const [name, mark] of Object.entries(marks)) {
      if (box(name) && (lost || box(name).dataset.mark !== mark)) await take(name, mark);
    }
    // Only now: marks whose parts did not come are no news of the unit, and are asked for again.
    etag = answer.headers.get("ETag") || "";
    heard = Date.now();
    lost = false;
    body.classList.remove("lost");
  }

  // Nothing heard for long: what is shown is no longer the state of the unit, and must not look like it.
  function lose() {
    lost = true;
    body.classList.add("lost");
    for (const name of ["state", "say", "ladder", "figures"]) {
      const blank = document.getElementById("lost-" + name);
      box(name).replaceChildren(blank.content.cloneNode(true));
    }
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
  // The header of every other page says how the unit is now, or that there is no contact.
  async function glance() {
    try { await take("state", ""); }
    catch { box("state").replaceChildren(document.getElementById("lost-state").content.cloneNode(true)); }
    setTimeout(glance, 15000);
  }
  if (!poll && box("state")) setTimeout(glance, 15000);
  // A link to a shared report holds its code behind the '#', which no server sees: it is put into the form, and sent.
  const enter = document.getElementById("enter");
  if (enter && location.hash.length > 1) {
    enter.elements.code.value = decodeURIComponent(location.hash.slice(1));
    history.replaceState(null, "", location.pathname);
    enter.submit();
  }

  // A link in a message answers with one tap; without a script its button is the second.
  const now = document.getElementById("answer-now");
  if (now) now.submit();

  if ("serviceWorker" in navigator && window.isSecureContext) navigator.serviceWorker.register("/worker.js").catch(() => {});
})();
