// A table that sorts by its heads: those with `data-sort` ("number" or "text") become buttons, cells hold `data-key`.
"use strict";
function sortable(table) {
  const body = table.tBodies[0];
  const rows = [...body.rows];
  const heads = [...table.tHead.rows[0].cells];
  const keyOf = (row, column) => row.cells[column].dataset.key ?? "";

  // An empty cell comes last in either direction; equal rows keep the order they have (the sort is stable).
  function sortBy(column, direction) {
    const isNumber = heads[column].dataset.sort === "number";
    const compare = isNumber
      ? (a, b) => Number(a) - Number(b)
      : (a, b) => a.localeCompare(b, "en", { numeric: true });
    rows.sort((one, other) => {
      const a = keyOf(one, column), b = keyOf(other, column);
      if (a === "" || b === "") return (a === "") - (b === "");
      return direction * compare(a, b);
    });
    body.append(...rows);
  }

  function press(column) {
    const head = heads[column];
    const direction = head.getAttribute("aria-sort") === "ascending" ? -1 : 1;
    for (const other of heads) if (other.dataset.sort) other.setAttribute("aria-sort", "none");
    head.setAttribute("aria-sort", direction === 1 ? "ascending" : "descending");
    sortBy(column, direction);
  }

  heads.forEach((head, column) => {
    if (!head.dataset.sort) return;
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    button.addEventListener("click", () => press(column));
    head.append(button);
    head.setAttribute("aria-sort", "none");
  });
}
