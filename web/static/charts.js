// A cursor for each chart that the server drew: mouse, finger and arrow keys read time and values off the drawing itself.
// Without it the charts stand as they are.
"use strict";
(() => {
  const at = new Map(); // chart -> where its cursor was, kept when the chart is drawn again

  function moment(svg, share) {
    const from = Number(svg.dataset.from), to = Number(svg.dataset.to), value = from + share * (to - from);
    if (svg.dataset.unit) return value.toFixed(0) + " " + svg.dataset.unit;
    const zones = svg.dataset.zone.split(",").map((one) => one.split(":").map(Number));
    const offset = zones.filter(([begin]) => begin <= value).pop()?.[1] ?? zones[0][1];
    return new Intl.DateTimeFormat(document.documentElement.lang, {
      timeZone: "UTC", weekday: "short", month: "short", day: "numeric", hour: "numeric", minute: "2-digit",
      hour12: svg.dataset.clock === "12", ...(to - from <= 7200 ? { second: "2-digit" } : {}),
    }).format(new Date(1000 * (value + offset)));
  }

  // Where a curve is at x of 1000: stretches held at one height, or lines between points; undefined in a gap.
  function height(path, x) {
    let left = 0, y = 0;
    for (const [, order, a, b] of path.getAttribute("d").matchAll(/([MLHV])(-?[\d.]+)(?: (-?[\d.]+))?/g)) {
      const to = Number(a);
      if (order === "V") { y = to; continue; }
      if (order === "H" && left <= x && x <= to) return y;
      if (order === "L" && left <= x && x <= to) return y + (Number(b) - y) * (x - left) / (to - left || 1);
      left = to;
      if (order !== "H") y = Number(b);
    }
    return undefined;
  }

  function curve(path, x) {
    const low = Number(path.dataset.low), high = Number(path.dataset.high), y = height(path, x);
    if (y === undefined) return "";
    const digits = Math.min(3, Math.max(0, Math.ceil(-Math.log10((high - low) / 100))));
    const over = y <= 4 && path.closest("svg.lanes > svg") && !path.closest("svg.plot") ? "≥ " : "";
    return `${path.dataset.name}: ${over}${(low + (high - low) * (98 - y) / 94).toFixed(digits)} ${path.dataset.unit}`;
  }

  // Stretches of lanes, bars of days, flags: what each says of itself where the cursor stands on it.
  function words(svg, share, wide) {
    const found = [];
    for (const title of svg.querySelectorAll("rect > title, line > title, svg > svg > title")) {
      const shape = title.parentNode, begin = parseFloat(shape.getAttribute("x") ?? shape.getAttribute("x1"));
      const end = shape.hasAttribute("x2") ? parseFloat(shape.getAttribute("x2"))
        : begin + (shape.tagName === "rect" ? parseFloat(shape.getAttribute("width")) : 0);
      const near = shape.tagName === "svg" ? 800 / wide : 0;
      if (begin - near <= 100 * share && 100 * share <= end + near) found.push(title.textContent);
    }
    return found;
  }

  function told(svg, share) {
    const rows = svg.dataset.from ? [moment(svg, share)] : [];
    for (const path of svg.querySelectorAll("path.curve")) rows.push(curve(path, 1000 * share));
    return rows.concat(words(svg, share, svg.clientWidth || 300)).filter(Boolean);
  }

  function furnish(svg) {
    const chart = document.createElement("div"), cursor = document.createElement("div"), line = document.createElement("i");
    const read = document.createElement("p");
    chart.className = "chart"; cursor.className = "cursor"; read.className = "read soft";
    cursor.id = "cursor-" + svg.id; cursor.tabIndex = 0; line.hidden = true;
    read.textContent = svg.dataset.hint; read.setAttribute("aria-hidden", "true");
    const attributes = { role: "slider", "aria-orientation": "horizontal", "aria-valuemin": 0, "aria-valuemax": 100,
      "aria-valuenow": 100, "aria-valuetext": svg.dataset.hint, "aria-label": svg.querySelector("title").textContent };
    for (const [name, value] of Object.entries(attributes)) cursor.setAttribute(name, value);
    svg.replaceWith(chart); cursor.append(line); chart.append(svg, cursor); chart.after(read);

    function show(share) {
      share = Math.min(1, Math.max(0, share));
      at.set(svg.id, share);
      const rows = told(svg, share);
      line.hidden = false;
      line.style.left = 100 * share + "%";
      read.classList.remove("soft");
      read.replaceChildren(...rows.map((row, place) => {
        const part = document.createElement(place ? "span" : "strong");
        part.textContent = row;
        return part;
      }));
      cursor.setAttribute("aria-valuenow", (100 * share).toFixed(1));
      cursor.setAttribute("aria-valuetext", rows.join("; "));
    }
    const point = (event) => {
      const box = cursor.getBoundingClientRect();
      show((event.clientX - box.left) / box.width);
    };
    cursor.addEventListener("pointermove", point);
    cursor.addEventListener("pointerdown", point);
    cursor.addEventListener("keydown", (event) => {
      const now = at.get(svg.id) ?? 1, day = svg.querySelectorAll("rect.bar").length;
      const step = day ? 1 / day : 1 / 288;
      const moves = { ArrowLeft: now - step, ArrowDown: now - step, ArrowRight: now + step, ArrowUp: now + step,
        PageDown: now - 12 * step, PageUp: now + 12 * step, Home: 0, End: 1 };
      if (!(event.key in moves)) return;
      event.preventDefault();
      show(moves[event.key]);
    });
    if (at.has(svg.id)) show(at.get(svg.id));
  }

  const all = () => document.querySelectorAll("svg.lanes[data-hint]").forEach((svg) => svg.closest(".chart") || furnish(svg));
  document.addEventListener("charts", all);
  all();
})();
