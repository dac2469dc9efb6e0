// Filtering of the table of packets. Works on the page's own rows, needs no server and keeps nothing.
"use strict";
(() => {
  const table = document.querySelector("table");
  const rows = [...table.tBodies[0].rows];
  const heads = [...table.tHead.rows[0].cells];

  const keyOf = (row, column) => row.cells[column].dataset.key ?? "";
  sortable(table);

  // The totals are those of the rows that are shown, and say so.
  const filter = document.querySelector(".filter");
  const field = filter.querySelector("input");
  const output = filter.querySelector("output");
  const sums = Object.fromEntries([...table.tFoot.querySelectorAll("[data-sum]")].map((c) => [c.dataset.sum, c]));
  const label = table.tFoot.querySelector(".name");
  const column = (name) => heads.findIndex((head) => head.classList.contains(name));
  const at = Object.fromEntries(["minutes", "placed", "errors", "warnings"].map((name) => [name, column(name)]));
  const inAll = label.textContent;

  function clock(minutes) {
    const whole = Math.floor(minutes + 0.5);
    return `${Math.floor(whole / 60)} h ${String(whole % 60).padStart(2, "0")} min`;
  }

  function total(shown) {
    const read = shown.filter((row) => !row.classList.contains("unread"));
    const released = read.filter((row) => row.classList.contains("released"));
    const sum = (some, name) => some.reduce((all, row) => all + Number(keyOf(row, at[name])), 0);
    sums.released.textContent = `${released.length} of ${read.length} released`;
    sums.minutes.textContent = sum(read, "minutes").toFixed(1);
    sums.placed.textContent = `${sum(read, "placed")} parts`;
    for (const name of ["errors", "warnings"]) sums[name].textContent = sum(read, name);
    sums.hours.textContent = clock(sum(read, "minutes"));
  }

  const words = new Map(rows.map((row) => [row, row.textContent.toLowerCase().replace(/\s+/g, " ")]));
  function show() {
    const wanted = field.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const row of rows) row.hidden = !wanted.every((word) => words.get(row).includes(word));
    const shown = rows.filter((row) => !row.hidden);
    const isFiltered = wanted.length > 0;
    output.value = isFiltered ? `${shown.length} of ${rows.length} rows have “${wanted.join(" ")}”` : "";
    filter.classList.toggle("is-on", isFiltered);
    label.textContent = isFiltered ? "of the rows shown" : inAll;
    total(shown);
  }
  field.addEventListener("input", show);
  filter.hidden = false;
})();
