// The read-out of the timeline, links from a line to its operation, and tables that sort.
"use strict";
(() => {
  document.querySelectorAll("table.sortable").forEach(sortable);

  // ---- a line's number leads to its operation: the search of the operations knows lines
  const field = document.getElementById("find-operation");
  for (const link of document.querySelectorAll("a.to-line")) {
    link.addEventListener("click", () => {
      field.value = link.dataset.line;
      field.dispatchEvent(new Event("input", { bubbles: true }));
    });
  }

  // ---- what is cut at the minute under the pointer
  const drawing = document.querySelector("svg.timeline");
  if (!drawing) return;
  const data = JSON.parse(document.getElementById("over-time").textContent);
  const said = document.getElementById("read-out");
  const hand = drawing.querySelector(".hand");
  const inches = document.documentElement.dataset.units === "in";

  function length(mm) {
    return mm === null ? "not known" : inches ? `${(mm / 25.4).toFixed(4)} in` : `${mm.toFixed(3)} mm`;
  }

  function read(event) {
    const box = drawing.getBoundingClientRect();
    const share = Math.min(0.9999, Math.max(0, (event.clientX - box.left) / box.width));
    const k = Math.floor(share * data.force.length);
    const x = `${(100 * (k + 0.5)) / data.force.length}%`;
    for (const end of ["x1", "x2"]) hand.setAttribute(end, x);
    hand.setAttribute("visibility", "visible");
    const [name, cutter, first, last] = data.stretches[data.stretch[k]] ?? [];
    const where = Object.assign(document.createElement("b"), {
      textContent: `minute ${((k * data.step_s) / 60).toFixed(1)}` + (name === undefined ? "" : `, T${cutter} ${name}`),
    });
    const lines = name === undefined ? "" : `, lines ${first} to ${last}`;
    const parts = [`force ${data.force[k]} N`, `arc ${data.arc[k]}°`];
    if (data.hold[k] !== null) parts.push(`hold ${data.hold[k].toFixed(2)}`);
    if (data.skin[k] !== null) parts.push(`skin ${length(data.skin[k])}`);
    said.replaceChildren(where, `${lines}: ${parts.join(", ")}`);
  }
  drawing.addEventListener("pointermove", read);
  drawing.addEventListener("pointerdown", read);
})();
