"use strict";
// Sorts a table by the column whose heading is pressed (pointer, Enter or space); cells without a value go last.
document.querySelectorAll("table.sortable").forEach(function (table) {
  const body = table.tBodies[0];
  const heads = Array.from(table.tHead.rows[0].cells);
  heads.forEach(function (head, column) {
    head.querySelector("button").addEventListener("click", function () {
      const numbers = head.classList.contains("number");
      const before = head.getAttribute("aria-sort");
      const largest = numbers && table.dataset.numbers === "largest";
      const down = before === "none" ? largest : before === "ascending";
      const key = function (row) { return row.cells[column].dataset.key; };
      const rows = Array.from(body.rows);
      rows.sort(function (a, b) {
        const one = key(a), two = key(b);
        if (one === "" || two === "") return (one === "") - (two === "");
        const order = numbers ? Number(one) - Number(two) : one.localeCompare(two, "en", { numeric: true });
        return down ? -order : order;
      });
      heads.forEach(function (other) { other.setAttribute("aria-sort", "none"); });
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      body.append(...rows);
    });
  });
});
