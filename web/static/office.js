// The morning list by keyboard, and what the chosen rows want on the truck. The list works without it.
"use strict";
(() => {
  const form = document.getElementById("dispatch");
  const boxes = form ? [...form.querySelectorAll('input[name="site"]')] : [];
  const truck = document.getElementById("truck");
  if (!boxes.length || !truck) return;
  const idle = truck.textContent;

  function show() {
    const counts = new Map();
    const chosen = boxes.filter((box) => box.checked);
    for (const box of chosen) {
      for (const thing of box.closest("tr").dataset.load.split("|").filter(Boolean)) {
        counts.set(thing, (counts.get(thing) || 0) + 1);
      }
    }
    const things = [...counts].sort((a, b) => b[1] - a[1]).map(([thing, n]) => (n > 1 ? n + " × " : "") + thing);
    truck.textContent = chosen.length ? chosen.length + " chosen. Truck: " + (things.join("; ") || "nothing but tools") : idle;
  }

  form.addEventListener("change", show);
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName) &&
      event.target.type !== "checkbox") return;
    const at = boxes.indexOf(document.activeElement);
    if (event.key === "j" || event.key === "k") {
      const next = at < 0 ? 0 : Math.min(Math.max(at + (event.key === "j" ? 1 : -1), 0), boxes.length - 1);
      boxes[next].focus();
      boxes[next].closest("tr").scrollIntoView({ block: "nearest" });
    } else if (event.key === "x" && at >= 0) {
      boxes[at].click();
    } else if (event.key === "a") {
      const all = boxes.every((box) => box.checked);
      for (const box of boxes) box.checked = !all;
      show();
    } else if (event.key === "t" || (event.key === "Enter" && at >= 0)) { // Enter on a row must not book by itself
      form.elements.technician.focus();
    } else {
      return;
    }
    event.preventDefault();
  });
  show();
})();
