// Search of the operations, a nest that zooms, parts that are picked in either. The page is whole without this.
"use strict";
(() => {
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const field = document.getElementById("find-operation");
  const found = document.getElementById("found-operations");
  const view = document.querySelector("#nest .view");
  const svg = view.querySelector("svg");
  const picked = document.getElementById("picked");
  const invitation = picked.textContent;

  // ---- operations: every word must be found in a row
  const rows = all(".op-row").map((row) => ({
    row,
    cutter: row.parentElement.dataset.cutter,
    parts: row.dataset.parts.toLowerCase().split(" "),
    lines: row.dataset.lines.split(" ").map((span) => span.split("-").map(Number)),
    shown: all("[data-label='start at'], [data-label='in program']", row).map((cell) => cell.textContent),
    words: row.textContent.toLowerCase() + " " + row.dataset.parts.toLowerCase(),
  }));
  const parts = new Set(all(".pick").map((button) => button.dataset.part.toLowerCase()));

  function holds(row, word) {
    if (parts.has(word)) return row.parts.includes(word); // stud-1 is not stud-10
    if (/^t\d+$/.test(word)) return row.cutter === word;
    if (/^\d+$/.test(word)) return row.shown.some((line) => line.startsWith(word)) || row.lines.some(([a, b]) => a <= word && word <= b);
    return row.words.includes(word);
  }

  function find(text) {
    const words = text.toLowerCase().split(/[\s,]+/).filter(Boolean);
    let n = 0;
    for (const one of rows) {
      one.row.hidden = !words.every((word) => holds(one, word));
      n += !one.row.hidden;
    }
    for (const body of all(".operations tbody")) body.hidden = !body.querySelector(".op-row:not([hidden])");
    found.textContent = `${n} of ${rows.length}`;
    mark(words.filter((word) => parts.has(word)), n);
  }

  function mark(ids, n) {
    for (const part of all(".part[data-part]", svg)) {
      part.classList.toggle("picked", ids.includes(part.dataset.part.toLowerCase()));
    }
    for (const button of all(".pick")) {
      button.setAttribute("aria-pressed", String(ids.includes(button.dataset.part.toLowerCase())));
    }
    if (ids.length === 0) return void (picked.textContent = invitation);
    const link = Object.assign(document.createElement("a"), { href: "#operations", textContent: "see them" });
    picked.replaceChildren(`${ids.join(", ")}: ${n} of ${rows.length} operations, `, link, ".");
  }

  function search(text) {
    field.value = text;
    find(text);
  }

  const pick = (id) => search(field.value === id ? "" : id); // touched again: let go
  field.addEventListener("input", () => find(field.value));
  document.getElementById("find-all").addEventListener("click", () => search(""));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && (event.target === field || view.contains(event.target) || event.target === document.body)) search("");
  });
  for (const button of all(".pick")) button.addEventListener("click", () => pick(button.dataset.part));
  find(field.value);

  // ---- nest: the view box is the window on the drawing
  const whole = ["x", "y", "width", "height"].map((key) => svg.viewBox.baseVal[key]);
  const most = 14; // times larger
  let box = [...whole];

  function show(x, y, width) {
    const size = Math.min(whole[2], Math.max(whole[2] / most, width));
    const high = (size * whole[3]) / whole[2];
    const inside = (at, low, room, own) => Math.min(low + room - own, Math.max(low, at));
    box = [inside(x, whole[0], whole[2], size), inside(y, whole[1], whole[3], high), size, high];
    svg.setAttribute("viewBox", box.map((value) => value.toFixed(3)).join(" "));
    view.classList.toggle("zoomed", size < whole[2] * 0.999);
  }

  function place(event) { // of a pointer, on the drawing
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [at.x, at.y];
  }

  function zoom(factor, [x, y] = [box[0] + box[2] / 2, box[1] + box[3] / 2]) {
    const size = Math.min(whole[2], Math.max(whole[2] / most, box[2] / factor));
    const share = size / box[2];
    show(x - (x - box[0]) * share, y - (y - box[1]) * share, size);
  }

  const fit = () => show(...whole);
  const doing = { in: () => zoom(1.6), out: () => zoom(1 / 1.6), fit };
  for (const button of all("[data-zoom]")) button.addEventListener("click", doing[button.dataset.zoom]);

  let scrolled = -1e9; // a page that is being scrolled is not stopped by the drawing under the pointer
  addEventListener("scroll", (event) => { scrolled = event.timeStamp; }, { passive: true });
  view.addEventListener("wheel", (event) => {
    const isAtEnd = event.deltaY > 0 && !view.classList.contains("zoomed");
    if (isAtEnd || (event.timeStamp - scrolled < 150 && !event.ctrlKey)) return;
    event.preventDefault();
    zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0016)), place(event));
  }, { passive: false });

  view.addEventListener("keydown", (event) => {
    const step = box[2] / 8;
    const keys = {
      "+": doing.in, "=": doing.in, "-": doing.out, "0": fit,
      ArrowLeft: () => show(box[0] - step, box[1], box[2]), ArrowRight: () => show(box[0] + step, box[1], box[2]),
      ArrowUp: () => show(box[0], box[1] - step, box[2]), ArrowDown: () => show(box[0], box[1] + step, box[2]),
    };
    if (!(event.key in keys) || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    keys[event.key]();
  });

  const down = new Map(); // pointer -> where it is on the screen
  let travelled = 0;
  const spread = ([a, b]) => Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
  const middle = ([a, b]) => ({ clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2 });

  view.addEventListener("pointerdown", (event) => {
    if (down.size === 0) travelled = 0;
    down.set(event.pointerId, event);
  });
  view.addEventListener("pointermove", (event) => {
    const before = down.get(event.pointerId);
    if (!before) return;
    const two = [...down.values()];
    travelled += Math.hypot(event.clientX - before.clientX, event.clientY - before.clientY);
    down.set(event.pointerId, event);
    if (travelled > 6 && !view.hasPointerCapture(event.pointerId)) view.setPointerCapture(event.pointerId);
    const from = place(two.length === 2 ? middle(two) : before);
    const now = [...down.values()];
    if (now.length === 2) zoom(spread(now) / Math.max(1, spread(two)), from);
    const to = place(now.length === 2 ? middle(now) : event);
    show(box[0] - to[0] + from[0], box[1] - to[1] + from[1], box[2]);
  });
  for (const end of ["pointerup", "pointercancel"]) view.addEventListener(end, (event) => down.delete(event.pointerId));

  view.addEventListener("click", (event) => {
    if (travelled > 6) return; // that was a drag
    const part = event.target.closest("[data-part]") ?? nearest(event);
    if (part) pick(part.dataset.part);
  });

  function nearest(event) { // a finger is wider than a stud
    let best = null;
    let least = 24;
    for (const part of all(".part[data-part]", svg)) {
      const at = part.getBoundingClientRect();
      const away = Math.hypot(
        event.clientX - Math.min(at.right, Math.max(at.left, event.clientX)),
        event.clientY - Math.min(at.bottom, Math.max(at.top, event.clientY)),
      );
      if (away < least) [best, least] = [part, away];
    }
    return best;
  }

  // ---- paper shows the whole nest; the window comes back afterwards
  let kept = null;
  addEventListener("beforeprint", () => { kept = [...box]; fit(); });
  addEventListener("afterprint", () => { if (kept) show(...kept); });

  // ---- contents: the section in sight, and its height for what sticks below
  const contents = document.querySelector(".contents");
  const links = new Map(all("a", contents).map((link) => [link.hash.slice(1), link]));
  new ResizeObserver(() => {
    document.documentElement.style.setProperty("--bar", `${contents.offsetHeight}px`);
  }).observe(contents);
  const seen = new Set();
  const watch = new IntersectionObserver((entries) => {
    for (const { target, isIntersecting } of entries) seen[isIntersecting ? "add" : "delete"](target.id);
    const current = [...links.keys()].find((id) => seen.has(id));
    for (const [id, link] of links) {
      if (id !== current) link.removeAttribute("aria-current");
      else if (!link.hasAttribute("aria-current")) {
        link.setAttribute("aria-current", "true");
        link.parentElement.scrollLeft = link.offsetLeft - contents.clientWidth / 3; // on a phone the row scrolls
      }
    }
  }, { rootMargin: "-25% 0px -70% 0px" });
  for (const id of links.keys()) watch.observe(document.getElementById(id));
})();
